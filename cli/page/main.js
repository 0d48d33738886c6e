/* Puts the parts together and changes between listening, blind test and ranking. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, complain } = page;
  const RATE_HZ = 48000; // of the sounds: nothing is resampled on the way to the sound card
  const NEUTRAL_TITLE = "Compare by ear";
  const TABS = ["listen", "blind", "ranking"];

  /** Return what a result says of the material. */
  page.about = (content, phrase, point) => ({
    page: content.title,
    made_with: content.made_with,
    phrase: content.phrases[phrase].name,
    listening_point: content.points[point].words.toLowerCase(),
    receiver: content.points[point].key === "receiver" ? content.receiver : null,
  });

  /** Return name, setting and level of a version at a listening point. */
  page.named = (content, phrase, point, version) => {
    const { name, spec, levels } = content.phrases[phrase].versions[version];
    return { name, spec, ...levels[content.points[point].key] };
  };

  class App {
    #views;
    #tabs = TABS.map((name) => document.getElementById(`tab-${name}`));

    constructor(content) {
      this.content = content;
      const context = new AudioContext({ sampleRate: RATE_HZ, latencyHint: "interactive" });
      this.player = new page.Player(context);
      this.sounds = new page.Sounds(context, content.phrases[0].versions.length);
      this.deck = new page.Deck(this.player);
      this.player.addEventListener("change", () => this.view?.changed?.());
      this.keyboard = new page.Keyboard(document.getElementById("keys"));
      const places = TABS.map((name) => document.getElementById(name));
      this.#views = [page.Listen, page.BlindTestView, page.RankingView].map(
        (View, place) => new View(this, places[place]),
      );
      this.#tabs.forEach((tab, place) => {
        tab.addEventListener("click", () => this.show(place));
        tab.addEventListener("keydown", (event) => this.#arrow(event, place));
      });
      if (content.phrases[0].versions.length < 2) this.#tabs.slice(1).forEach((tab) => tab.remove());
    }

    /** Show one part of the page. */
    async show(chosen) {
      this.view?.leave();
      this.view = this.#views[chosen];
      this.#tabs.forEach((tab, place) => {
        tab.setAttribute("aria-selected", place === chosen);
        tab.tabIndex = place === chosen ? 0 : -1;
        document.getElementById(TABS[place]).hidden = place !== chosen;
      });
      this.keyboard.use(this.view.keys);
      await this.view.enter();
    }

    /** Keep to this part of the page, and show no names in title and notes during a test. */
    lock(locked) {
      for (const tab of this.#tabs) tab.disabled = locked;
      this.#name(locked ? NEUTRAL_TITLE : this.content.title);
      const notes = [...this.content.notes, this.content.made_with].filter(Boolean);
      window.onbeforeunload = locked ? (event) => event.preventDefault() : null;
      const shown = locked ? [] : notes.map((words) => element("p", {}, words));
      document.getElementById("notes").replaceChildren(...shown);
    }

    #name(title) {
      document.title = title;
      document.getElementById("title").textContent = title;
    }

    /** The arrows choose a tab, as the ARIA Authoring Practices have it. */
    #arrow(event, place) {
      const step = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
      if (!step) return;
      event.preventDefault();
      const next = (place + step + TABS.length) % TABS.length;
      this.#tabs[next].focus();
      this.show(next);
    }
  }

  function begin() {
    const content = JSON.parse(document.getElementById("content").textContent);
    const wrong = (message) => complain(`Something went wrong: ${message}`);
    window.addEventListener("unhandledrejection", ({ reason }) => wrong(reason.message));
    window.addEventListener("error", ({ message }) => wrong(message));
    page.app = new App(content);
    page.app.lock(false);
    page.app.show(0);
  }

  begin();
})();
