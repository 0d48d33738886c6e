/* A blind test: is X version A or version B? What it hides and what comes out; nothing to see. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const LETTERS = ["A", "B"];

  /**
   * A test of a number of trials that is declared before and cannot be changed.
   *
   * What X is is drawn for each trial on its own, as by a coin, and not balanced over the test:
   * only then does a guesser's number of right answers follow the binomial law, and nothing can
   * be worked out by counting.
   */
  class BlindTest {
    #hidden; // for each trial which of the two X is, 0 or 1
    #begun_ms;
    #stopped = false;

    /** @param {{trials: number, seed: number}} plan */
    constructor(plan) {
      this.plan = Object.freeze({ ...plan });
      this.answers = [];
      this.started = new Date().toISOString();
      this.#hidden = page.hiddenOrder(plan.seed, plan.trials);
      this.#begun_ms = performance.now();
    }

    /** The number of the trial at hand, from 1. */
    get trial() {
      return this.answers.length + 1;
    }

    get over() {
      return this.#stopped || this.answers.length === this.plan.trials;
    }

    /** Return the sounds behind A, B and X of this trial. */
    sounds([a, b]) {
      return [a, b, [a, b][this.#hidden[this.trial - 1]]];
    }

    /** Take an answer, 0 for A and 1 for B. */
    answer(choice) {
      const x = this.#hidden[this.trial - 1];
      const now_ms = performance.now();
      this.answers.push({
        trial: this.trial,
        x: LETTERS[x],
        answer: LETTERS[choice],
        correct: choice === x,
        seconds: Math.round(now_ms - this.#begun_ms) / 1000,
      });
      this.#begun_ms = now_ms;
    }

    /** Leave the test before its end; that is kept in the result. */
    stop() {
      this.#stopped = true;
    }

    /** Return what came out, when it is over. */
    result() {
      const { trials, seed } = this.plan;
      const answered = this.answers.length;
      const correct = this.answers.filter((answer) => answer.correct).length;
      const completed = answered === trials;
      return {
        kind: "blind-test",
        declared_trials: trials,
        answered,
        completed,
        correct,
        p_value: completed ? page.statistics.atLeast(correct, trials) : null,
        interval_95: completed ? page.statistics.interval(correct, trials) : null,
        seed,
        order: `${page.GENERATOR}; the highest bit of each number is 0 for A, 1 for B`,
        started: this.started,
        ended: new Date().toISOString(),
        trials: this.answers,
      };
    }
  }

  /** Return what X is in each trial, 0 for A and 1 for B. */
  page.hiddenOrder = (seed, trials) => {
    const random = new page.Random(seed);
    return Array.from({ length: trials }, () => random.bits() >>> 31);
  };
  page.BlindTest = BlindTest;
})();
