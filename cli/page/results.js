/* What came out: in words, as a table, as a file. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, button } = page;
  const EVIDENCE = 0.05; // the p-value that is called evidence, by common practice
  const TIED = "\u00a0"; // a space at which no line ends

  function percent(share, digits = 0) {
    return `${(100 * share).toFixed(digits)}${TIED}%`;
  }

  /** Return a p-value as it is printed. */
  function shownP(p) {
    return ["p", ...(p < 0.0001 ? ["<", "0.0001"] : ["=", p.toFixed(4)])].join(TIED);
  }

  /** Return a share of tests; one too small for a decimal is not called none. */
  function shownShare(p) {
    return p < 0.0005 ? `less than ${percent(0.001, 1)}` : percent(p, 1);
  }

  /** Return what a blind test says, as sentences. */
  function blindTestWords(result) {
    const { correct, answered, declared_trials: declared } = result;
    if (!result.completed) {
      return [
        `Stopped after ${answered} of ${declared} trials, ${correct} of them right.`,
        "A test that was stopped has no p-value: whoever stops when it looks well always wins.",
      ];
    }
    const [low, high] = result.interval_95;
    return [
      `You were right in ${correct} of ${declared} trials.`,
      `Somebody who only guesses is right as often or more in ${shownShare(result.p_value)} ` +
        `of such tests (${shownP(result.p_value)}).`,
      result.p_value <= EVIDENCE
        ? "That is evidence that you hear a difference."
        : "That is no evidence that you hear a difference, and none that there is no difference.",
      `With 95 % confidence your true share of right answers lies between ${percent(low)} and ${percent(high)}.`,
    ];
  }

  /** Return what is doubtful in a ranking, as a sentence, or nothing. */
  function rankingWarning(result) {
    const score = result.hidden_reference_score;
    if (score >= page.REFERENCE_LEAST) return "";
    return (
      `The hidden reference got ${score}. It is the same sound as the reference, so a score under ` +
      `${page.REFERENCE_LEAST} says that the differences were not heard well enough: do not lean on this ranking.`
    );
  }

  /** Make a table. Cells that are numbers stand to the right. */
  function table(caption, heads, rows) {
    const head = heads.map((words) => element("th", { scope: "col" }, words));
    const cell = (value) =>
      element("td", { class: typeof value === "number" ? "number" : null }, String(value));
    return element(
      "table", {}, element("caption", {}, caption),
      element("thead", {}, element("tr", {}, ...head)),
      element("tbody", {}, ...rows.map((row) => element("tr", {}, ...row.map(cell)))),
    );
  }

  /** Hand a result to the browser as a file. */
  function download(result) {
    const text = `${JSON.stringify(result, null, 2)}\n`;
    const url = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    const name = `${result.kind}-${result.started.replaceAll(":", "-").slice(0, 19)}.json`;
    element("a", { href: url, download: name }).click();
    setTimeout(() => URL.revokeObjectURL(url), 1000);
  }

  function downloadButton(result) {
    return button("Save the result", () => download(result), { class: "main" });
  }

  Object.assign(page, { blindTestWords, rankingWarning, table, downloadButton });
})();
