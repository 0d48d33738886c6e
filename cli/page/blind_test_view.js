/* The blind test on screen: what is declared, one trial after another, the result. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, button, field, choices, say } = page;
  const FEWEST_TRIALS = 5; // fewer cannot give p of 0.05 or less
  const MOST_TRIALS = 100;
  const USUAL_TRIALS = 16;
  const X = 2; // its place behind A and B
  const NAMES = ["A", "B", "X"];

  class BlindTestView {
    #app;
    #place;
    #test = null;
    #pair = [];
    #about = {};
    #heading = element("h2", { tabindex: "-1" });
    #hint = element("p", { class: "hint" });
    #listens = [];
    #replies = [];
    #heard = false; // whether X was played in this trial

    /** @param {HTMLElement} place */
    constructor(app, place) {
      this.#app = app;
      this.#place = place;
    }

    get keys() {
      if (!this.#test) return {};
      const keys = { ...this.#app.deck.keys };
      NAMES.forEach((name, place) => {
        keys[name] = { words: `Hear ${name}`, act: () => this.#hear(place) };
      });
      NAMES.forEach((name, place) => {
        keys[place + 1] = { words: `Hear ${name}`, act: () => this.#hear(place) };
      });
      keys["Shift+A"] = { words: "Answer: X is A", act: () => this.#answer(0) };
      keys["Shift+B"] = { words: "Answer: X is B", act: () => this.#answer(1) };
      return keys;
    }

    enter() {
      this.#plan();
    }

    /** The player has changed. */
    changed() {
      if (this.#test) this.#show();
    }

    leave() {
      this.#app.player.rewind();
      this.#place.replaceChildren();
    }

    /** Show the form: all of it is declared before the first trial. */
    #plan() {
      const { content } = this.#app;
      const form = {
        a: choices.versions(content, 0),
        b: choices.versions(content, 1),
        phrase: choices.phrases(content, 0),
        point: choices.points(content, content.points.length - 1),
        trials: choices.number(FEWEST_TRIALS, MOST_TRIALS, USUAL_TRIALS),
        seed: choices.seed(),
      };
      form.trials.required = true;
      const needed = element("p", { class: "hint", "aria-live": "polite" });
      const count = () => {
        const trials = Number(form.trials.value);
        needed.textContent = form.trials.checkValidity()
          ? `Of ${trials} trials ${page.statistics.fewest(trials)} must be right for p of 0.05 or less.`
          : `From ${FEWEST_TRIALS} to ${MOST_TRIALS} trials.`;
      };
      form.trials.addEventListener("input", count);
      count();
      const problem = element("p", { class: "problem", role: "alert", hidden: true });
      this.#place.replaceChildren(
        element("h2", {}, "Can you tell two versions apart?"),
        element("p", {}, "In each trial X is one of the two, drawn anew and hidden. You say which. " +
          "How many trials there are is declared now; you learn how you did when all are done."),
        element(
          "form", { class: "plan", submit: (event) => this.#submit(event, form, problem) },
          element("div", { class: "fields" },
            field("Version A", form.a), field("Version B", form.b), field("Phrase", form.phrase),
            field("Heard", form.point), field("Trials", form.trials)),
          needed, choices.seedFold(form.seed), problem,
          element("button", { class: "main" }, "Start the test"),
        ),
      );
    }

    async #submit(event, form, problem) {
      event.preventDefault();
      problem.hidden = form.a.value !== form.b.value;
      problem.textContent = "A and B are the same version: choose two.";
      if (!problem.hidden) return;
      const { content } = this.#app;
      const [a, b, phrase, point] = [form.a, form.b, form.phrase, form.point].map(({ value }) => Number(value));
      const plan = { trials: Number(form.trials.value), seed: choices.seedFrom(form.seed) };
      const sounds = await this.#app.sounds.at(phrase, content.points[point].key);
      if (!problem.isConnected) return; // begun already, or another part of the page was chosen
      this.#pair = [sounds[a], sounds[b]];
      this.#about = page.about(content, phrase, point);
      const named = (version) => page.named(content, phrase, point, version);
      this.#about.versions = { A: named(a), B: named(b) };
      this.#begin(plan);
    }

    #begin(plan) {
      this.#app.lock(true);
      this.#test = new page.BlindTest(plan);
      this.#build();
      this.#app.player.load(this.#test.sounds(this.#pair), 0, false);
      this.#app.deck.draw(this.#pair);
      this.#app.keyboard.use(this.keys);
      this.#trial();
    }

    #build() {
      this.#listens = NAMES.map((name, place) =>
        button(name, () => this.#hear(place), { class: "letter", "aria-label": `Hear ${name}` }),
      );
      this.#replies = [0, 1].map((choice) =>
        button(`X is ${NAMES[choice]}`, () => this.#answer(choice), { class: "main" }, `Shift+${NAMES[choice]}`),
      );
      this.#place.replaceChildren(
        this.#heading,
        element("p", {}, "X is A or B, the same throughout this trial. Listen as long as you like."),
        element("div", { class: "letters", role: "group", "aria-label": "Listen" }, ...this.#listens),
        this.#app.deck.element,
        element("div", { class: "answers", role: "group", "aria-label": "Answer" }, ...this.#replies),
        this.#hint,
        this.#stopFold(),
      );
    }

    #stopFold() {
      return element(
        "details", { class: "stop" }, element("summary", {}, "Stop early"),
        element("p", {}, "A test that is stopped is kept as such and has no p-value."),
        button("Stop the test", () => this.#stop()),
      );
    }

    /** Show a new trial, silent and at the start of the loop: nothing tells how the last one went. */
    #trial() {
      this.#heard = false;
      this.#heading.textContent = `Trial ${this.#test.trial} of ${this.#test.plan.trials}`;
      this.#heading.focus();
      this.#show();
    }

    #show() {
      const { player } = this.#app;
      this.#listens.forEach((one, place) =>
        one.setAttribute("aria-pressed", player.playing && place === player.heard),
      );
      for (const reply of this.#replies) reply.disabled = !this.#heard;
      this.#hint.textContent = this.#heard ? "" : "Listen to X before you answer.";
    }

    #hear(place) {
      this.#heard ||= place === X;
      this.#app.player.hear(place);
      this.#app.player.play();
      this.#show();
      say(NAMES[place]);
    }

    #answer(choice) {
      if (!this.#heard) return;
      this.#app.player.rewind();
      this.#test.answer(choice);
      if (this.#test.over) return this.#finish();
      this.#app.player.load(this.#test.sounds(this.#pair), 0, true);
      this.#trial();
    }

    #stop() {
      this.#app.player.rewind();
      this.#test.stop();
      this.#finish();
    }

    #finish() {
      const result = { ...this.#test.result(), ...this.#about };
      this.#test = null;
      this.#app.lock(false);
      this.#app.keyboard.use({});
      const { A, B } = result.versions;
      const trials = result.trials.map(({ trial, x, answer, correct, seconds }) =>
        [trial, x, answer, correct ? "yes" : "no", seconds.toFixed(1)],
      );
      const heading = element("h2", { tabindex: "-1" }, result.completed ? "Result" : "Stopped");
      this.#place.replaceChildren(
        heading,
        element("p", {}, `A: ${A.name}. B: ${B.name}. Phrase: ${result.phrase}, heard ${result.listening_point}.`),
        element("div", { class: "verdict" },
          ...page.blindTestWords(result).map((words) => element("p", {}, words))),
        element("div", { class: "buttons" }, page.downloadButton(result),
          button("Another test", () => this.#plan())),
        trials.length
          ? page.table("All trials", ["Trial", "X was", "You said", "Right", "Seconds"], trials)
          : "",
      );
      heading.focus();
    }
  }

  page.BlindTestView = BlindTestView;
})();
