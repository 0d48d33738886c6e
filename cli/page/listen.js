/* Listening with open eyes: any version, phrase and listening point, switched while it plays. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, button, field, select, say } = page;

  class Listen {
    #app;
    #place;
    #phrase = 0;
    #point = 0;
    #version = 0;
    #sounds = [];
    #loaded = null; // the phrase that the player has
    #buttons = [];
    #phrases;
    #points;
    #receiver = element("p", { class: "receiver" });
    #cards = element("div", { class: "cards" });
    #help = element("div");

    /** @param {HTMLElement} place */
    constructor(app, place) {
      this.#app = app;
      this.#place = place;
    }

    get #versions() {
      return this.#app.content.phrases[this.#phrase].versions;
    }

    get keys() {
      const { content, deck } = this.#app;
      const keys = { ...deck.keys };
      this.#versions.slice(0, 9).forEach(({ name }, place) => {
        keys[place + 1] = { words: `Hear ${name}`, act: () => this.#hear(place) };
      });
      content.points.forEach(({ key, words }, place) => {
        keys[key[0].toUpperCase()] = { words, act: () => this.#choosePoint(place) };
      });
      if (content.phrases.length > 1) {
        const next = () => this.#choosePhrase((this.#phrase + 1) % content.phrases.length);
        keys.P = { words: "Next phrase", act: next };
      }
      return keys;
    }

    async enter() {
      this.#place.replaceChildren(
        this.#choices(), this.#app.deck.element, this.#switches(), this.#cards, this.#help,
      );
      await this.#load();
    }

    leave() {
      this.#loaded = null; // other parts of the page load other sounds
      this.#place.replaceChildren(); // what is on screen in a blind test must give nothing away
    }

    #choices() {
      const { content } = this.#app;
      const names = content.phrases.map(({ name }) => name);
      this.#phrases = select(names, this.#phrase, (place) => this.#choosePhrase(place));
      this.#points = content.points.map(({ words }, place) =>
        element("input", {
          type: "radio", name: "point", value: place, change: () => this.#choosePoint(place),
        }),
      );
      const labels = this.#points.map((input, place) =>
        this.#pointLabel(input, content.points[place]),
      );
      return element(
        "div", { class: "choices" }, field("Phrase", this.#phrases),
        element(
          "div", { class: "field" }, element("span", { id: "heard" }, "Heard"),
          element("div", { class: "points", role: "radiogroup", "aria-labelledby": "heard" }, ...labels),
        ),
        this.#receiver,
      );
    }

    #pointLabel(input, { key, words }) {
      const letter = element("kbd", { "aria-hidden": "true" }, key[0].toUpperCase());
      return element("label", {}, input, letter, element("span", {}, words));
    }

    #switches() {
      this.#buttons = this.#versions.map(({ name }, place) =>
        button(name, () => this.#hear(place), { class: "version" }, place < 9 ? String(place + 1) : ""),
      );
      return element(
        "div", { class: "switches", role: "group", "aria-label": "Version" }, ...this.#buttons,
      );
    }

    async #choosePhrase(place) {
      this.#phrase = place;
      await this.#load();
      say(`${this.#app.content.phrases[place].name}`);
    }

    async #choosePoint(place) {
      this.#point = place;
      await this.#load();
      say(this.#app.content.points[place].words);
    }

    /** Load what is chosen; place and loop are kept if only the listening point has changed. */
    async #load() {
      const { content, sounds, player } = this.#app;
      const [phrase, point] = [this.#phrase, this.#point];
      const loaded = await sounds.at(phrase, content.points[point].key);
      const chosen = this.#app.view === this && phrase === this.#phrase && point === this.#point;
      if (!chosen) return; // something else was chosen meanwhile
      this.#sounds = loaded;
      player.load(loaded, this.#version, phrase === this.#loaded);
      this.#loaded = phrase;
      this.#show();
    }

    #hear(place) {
      this.#version = place;
      this.#app.player.hear(place);
      this.#mark();
      say(this.#versions[place].name);
    }

    /** Show what is loaded. */
    #show() {
      const { content } = this.#app;
      const point = content.points[this.#point].key;
      this.#phrases.value = this.#phrase;
      this.#points[this.#point].checked = true;
      this.#receiver.textContent = point === "receiver" ? content.receiver : "";
      this.#cards.replaceChildren(...this.#versions.map((version) => page.versions.card(version, point)));
      const open = this.#help.querySelector("details[open]") !== null;
      this.#help.replaceChildren(page.versions.explanations(this.#versions, point, open));
      this.#mark();
    }

    /** Show which version is heard. */
    #mark() {
      this.#buttons.forEach((one, place) => one.setAttribute("aria-pressed", place === this.#version));
      [...this.#cards.children].forEach((card, place) =>
        card.classList.toggle("heard", place === this.#version),
      );
      this.#app.deck.draw([this.#sounds[this.#version]], this.#sounds);
    }
  }

  page.Listen = Listen;
})();
