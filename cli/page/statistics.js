/* Right answers against guessing: exact binomial figures. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const HALVINGS = 60; // of the interval that holds a root: down to the last bit

  /** Return the chance of exactly k right answers of n, each right with chance p. */
  function exactly(k, n, p) {
    let chance = 1;
    for (let i = 1; i <= k; i++) chance *= ((n - k + i) / i) * p;
    return chance * (1 - p) ** (n - k);
  }

  /** Return the chance of k or more right answers of n: with p = 0.5 the one-sided p-value. */
  function atLeast(k, n, p = 0.5) {
    let chance = 0;
    for (let i = n; i >= k; i--) chance += exactly(i, n, p);
    return Math.min(1, chance);
  }

  /** Return where a rising function of 0 to 1 reaches the wanted value. */
  function reached(rising, wanted) {
    let [low, high] = [0, 1];
    for (let i = 0; i < HALVINGS; i++) {
      const middle = (low + high) / 2;
      if (rising(middle) < wanted) low = middle;
      else high = middle;
    }
    return (low + high) / 2;
  }

  /**
   * Return the exact interval of the true share of right answers.
   *
   * C. Clopper and E. Pearson, "The use of confidence or fiducial limits illustrated in the case
   * of the binomial", Biometrika 26 (1934): the shares with which k or more, and k or less, have
   * half of what confidence leaves.
   */
  function interval(k, n, confidence = 0.95) {
    const tail = (1 - confidence) / 2;
    return [
      k === 0 ? 0 : reached((p) => atLeast(k, n, p), tail),
      k === n ? 1 : reached((p) => atLeast(k + 1, n, p), 1 - tail),
    ];
  }

  /** Return the fewest right answers of n whose p-value is small enough. */
  function fewest(n, level = 0.05) {
    let k = n;
    while (k > 0 && atLeast(k - 1, n) <= level) k--;
    return k;
  }

  page.statistics = { atLeast, interval, fewest };
})();
