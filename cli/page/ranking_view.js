/* The ranking on screen: what is compared, the sliders, the result. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, button, field, choices, say } = page;
  const MIDDLE = 50; // where a slider stands before it is used
  const NO_ANCHOR =
    "The low anchor of the recommendation, the reference through a low-pass of 3.5 kHz, does not " +
    "serve here: it is about as wide as the signal that is wanted on the air. If one of the " +
    "versions is meant to be bad, name it as the anchor.";

  class RankingView {
    #app;
    #place;
    #ranking = null;
    #names = [];
    #about = {};
    #heard = new Set();
    #hint = element("p", { class: "hint" });
    #listens = [];
    #done;

    /** @param {HTMLElement} place */
    constructor(app, place) {
      this.#app = app;
      this.#place = place;
    }

    get keys() {
      if (!this.#ranking) return {};
      const { letters } = this.#ranking;
      const keys = { ...this.#app.deck.keys };
      keys[0] = { words: "Hear the reference", act: () => this.#hear(letters.length) };
      letters.slice(0, 9).forEach((letter, place) => {
        keys[place + 1] = { words: `Hear ${letter}`, act: () => this.#hear(place) };
      });
      return keys;
    }

    enter() {
      this.#plan();
    }

    /** The player has changed. */
    changed() {
      if (this.#ranking) this.#show();
    }

    leave() {
      this.#app.player.rewind();
      this.#place.replaceChildren();
    }

    #plan() {
      const { content } = this.#app;
      const form = {
        reference: choices.versions(content, 0),
        anchor: choices.versions(content, 0, ["none"]),
        phrase: choices.phrases(content, 0),
        point: choices.points(content, content.points.length - 1),
        seed: choices.seed(),
      };
      const problem = element("p", { class: "problem", role: "alert", hidden: true });
      this.#place.replaceChildren(
        element("h2", {}, "How good is each version?"),
        element("p", {}, "All versions stand under letters in a hidden order, the reference among them. " +
          "Each is rated from 0 to 100 beside the open reference, after Recommendation ITU-R BS.1534."),
        element(
          "form", { class: "plan", submit: (event) => this.#submit(event, form, problem) },
          element("div", { class: "fields" },
            field("Reference", form.reference), field("Low anchor", form.anchor),
            field("Phrase", form.phrase), field("Heard", form.point)),
          element("p", { class: "hint" }, NO_ANCHOR), choices.seedFold(form.seed), problem,
          element("button", { class: "main" }, "Start the ranking"),
        ),
      );
    }

    async #submit(event, form, problem) {
      event.preventDefault();
      const { content } = this.#app;
      const [reference, anchored, phrase, point] =
        [form.reference, form.anchor, form.phrase, form.point].map(({ value }) => Number(value));
      const anchor = anchored === 0 ? null : anchored - 1;
      problem.hidden = anchor !== reference;
      problem.textContent = "The reference cannot be the anchor too.";
      if (!problem.hidden) return;
      const sounds = await this.#app.sounds.at(phrase, content.points[point].key);
      if (!problem.isConnected) return; // begun already, or another part of the page was chosen
      this.#names = sounds.map((_, version) => page.named(content, phrase, point, version));
      this.#about = page.about(content, phrase, point);
      const plan = { versions: sounds.length, reference, anchor, seed: choices.seedFrom(form.seed) };
      this.#begin(plan, sounds);
    }

    #begin(plan, sounds) {
      this.#app.lock(true);
      this.#ranking = new page.Ranking(plan);
      this.#heard.clear();
      this.#build();
      this.#app.player.load(this.#ranking.sounds(sounds), plan.versions, false);
      this.#app.deck.draw(sounds);
      this.#app.keyboard.use(this.keys);
      this.#show();
    }

    #build() {
      const { letters } = this.#ranking;
      const heading = element("h2", { tabindex: "-1" }, "Rate each beside the reference");
      this.#listens = [...letters, "Reference"].map((name, place) =>
        button(name, () => this.#hear(place), { class: "letter", "aria-label": `Hear ${name}` }),
      );
      this.#done = button("Finish", () => this.#finish(), { class: "main" });
      this.#place.replaceChildren(
        heading, this.#app.deck.element,
        element("div", { class: "reference" }, this.#listens.at(-1),
          element("p", {}, "One of the letters is the reference itself: 100 is as good as it.")),
        element("div", { class: "ratings" }, this.#scale(),
          ...letters.map((letter, place) => this.#row(letter, place))),
        this.#hint,
        element("div", { class: "buttons" }, this.#done,
          button("Leave without a result", () => this.#leave())),
      );
      heading.focus();
    }

    /** Return the names of the bands, above the sliders. */
    #scale() {
      const names = [10, 30, 50, 70, 90].map((score) => element("span", {}, page.bandOf(score)));
      return element(
        "div", { class: "rating scale", "aria-hidden": "true" },
        element("span"), element("div", { class: "bands" }, ...names), element("span"),
      );
    }

    #row(letter, place) {
      const shown = element("output", {}, "not rated");
      const slider = element("input", {
        type: "range", min: 0, max: 100, step: 1, value: MIDDLE, "aria-label": `Quality of ${letter}`,
        "aria-valuetext": "not rated",
      });
      slider.addEventListener("input", () => {
        const score = Number(slider.value);
        this.#ranking.rate(place, score);
        shown.replaceChildren(element("b", {}, String(score)), ` ${page.bandOf(score)}`);
        slider.setAttribute("aria-valuetext", `${score}, ${page.bandOf(score)}`);
        slider.classList.add("rated");
        this.#show();
      });
      return element("div", { class: "rating" }, this.#listens[place], slider, shown);
    }

    #show() {
      const { player } = this.#app;
      this.#listens.forEach((one, place) =>
        one.setAttribute("aria-pressed", player.playing && place === player.heard),
      );
      const waiting = this.#ranking.letters.filter(
        (_, place) => !this.#heard.has(place) || this.#ranking.scores[place] === null,
      );
      this.#done.disabled = waiting.length > 0;
      this.#hint.textContent = waiting.length ? `Still to hear and rate: ${waiting.join(", ")}.` : "";
    }

    #hear(place) {
      this.#heard.add(place);
      this.#app.player.hear(place);
      this.#app.player.play();
      this.#show();
      say(place < this.#ranking.letters.length ? this.#ranking.letters[place] : "Reference");
    }

    #close() {
      this.#app.player.rewind();
      this.#ranking = null;
      this.#app.lock(false);
      this.#app.keyboard.use({});
    }

    #leave() {
      this.#close();
      this.#plan();
    }

    #finish() {
      const result = { ...this.#ranking.result(this.#names), ...this.#about };
      this.#close();
      const warning = page.rankingWarning(result);
      const heading = element("h2", { tabindex: "-1" }, "Result");
      const rows = result.items.map(({ name, score, band, role, letter }) =>
        [role ? `${name} (${role})` : name, score, band, letter],
      );
      this.#place.replaceChildren(
        heading,
        element("p", {}, `Phrase: ${result.phrase}, heard ${result.listening_point}.`),
        warning ? element("p", { class: "problem" }, warning) : "",
        page.table("Best first", ["Version", "Score", "Band", "Was"], rows),
        element("div", { class: "buttons" }, page.downloadButton(result),
          button("Another ranking", () => this.#plan())),
      );
      heading.focus();
    }
  }

  page.RankingView = RankingView;
})();
