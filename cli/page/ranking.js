/*
 * A ranking after Recommendation ITU-R BS.1534: versions under letters, an open reference that is
 * also hidden among them, a scale of 0 to 100 in five bands.
 */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const BANDS = ["bad", "poor", "fair", "good", "excellent"]; // of 20 points each (BS.1534)
  const REFERENCE_LEAST = 90; // a hidden reference below it was not recognised (BS.1534)

  /** Return the band of a score. */
  function bandOf(score) {
    return BANDS[Math.min(Math.floor(score / 20), BANDS.length - 1)];
  }

  class Ranking {
    #order; // which version stands behind each letter

    /** @param {{versions: number, reference: number, anchor: ?number, seed: number}} plan */
    constructor(plan) {
      this.plan = Object.freeze({ ...plan });
      this.started = new Date().toISOString();
      this.#order = new page.Random(plan.seed).order(plan.versions);
      this.letters = this.#order.map((_, place) => String.fromCharCode(65 + place));
      this.scores = new Array(plan.versions).fill(null);
    }

    /** Return the sounds behind the letters, and the open reference after them. */
    sounds(sounds) {
      return [...this.#order.map((version) => sounds[version]), sounds[this.plan.reference]];
    }

    /** Rate what stands behind a letter. */
    rate(place, score) {
      this.scores[place] = score;
    }

    /**
     * Return what came out, best first.
     * @param {{name: string, spec: string}[]} names of the versions
     */
    result(names) {
      const { reference, anchor, seed } = this.plan;
      const items = this.#order.map((version, place) => ({
        letter: this.letters[place],
        ...names[version],
        score: this.scores[place],
        band: bandOf(this.scores[place]),
        role: version === reference ? "hidden reference" : version === anchor ? "low anchor" : "",
      }));
      return {
        kind: "ranking",
        hidden_reference_score: items.find(({ role }) => role === "hidden reference").score,
        seed,
        order: `${page.GENERATOR}; Fisher-Yates from the last place`,
        started: this.started,
        ended: new Date().toISOString(),
        items: items.sort((one, other) => other.score - one.score),
      };
    }
  }

  Object.assign(page, { Ranking, bandOf, REFERENCE_LEAST });
})();
