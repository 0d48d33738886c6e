/* The deck: waveform, play and pause, the loop. All parts of the page share one. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, button, say } = page;
  const TELL_MS = 500; // how often the position is told in words

  class Deck {
    #player;
    #wave;
    #told_ms = 0;
    #still = matchMedia("(prefers-reduced-motion: reduce)"); // then the line moves in steps
    #play = button("Play", () => this.#player.toggle(), { class: "play" }, "Space");
    #time = element("span", { class: "time" });
    #loop = element("span", { class: "loop" });

    /** @param {Player} player */
    constructor(player) {
      this.#player = player;
      this.#wave = new page.Waveform(player);
      this.element = element(
        "div", { class: "deck" }, this.#wave.element,
        element(
          "div", { class: "transport" }, this.#play, this.#time, this.#loop, this.#loopButtons(),
        ),
      );
      player.addEventListener("change", () => this.#changed());
    }

    #loopButtons() {
      const keys = this.keys;
      return element(
        "div", { class: "buttons", role: "group", "aria-label": "Loop" },
        ...["S", "E", "W"].map((key) => {
          const { short, words, act } = keys[key];
          return button(short, act, { class: "quiet", "aria-label": words }, key);
        }),
      );
    }

    /** What keys do, by their names; `short` is for buttons that stand behind the word "Loop". */
    get keys() {
      const player = this.#player;
      const told = (set) => () => { set(); say(this.#loop.textContent); };
      return {
        " ": { shown: "Space", words: "Play or pause", act: () => player.toggle() },
        S: { words: "Loop from here", short: "From here", act: told(() => player.loop(player.position, player.last)) },
        E: { words: "Loop to here", short: "To here", act: told(() => player.loop(player.first, player.position)) },
        W: { words: "Loop the whole phrase", short: "Whole phrase", act: told(() => player.loopAll()) },
      };
    }

    /** Show the waveform of some sounds, at the scale of others. */
    draw(sounds, scale = sounds) {
      this.#wave.draw(sounds, scale);
      this.#changed();
    }

    #changed() {
      const { playing, looped, first, last, rate_hz } = this.#player;
      this.#play.lastChild.textContent = playing ? "Pause" : "Play";
      this.#play.classList.toggle("on", playing);
      const [from, to] = [first, last].map((place) => (place / rate_hz).toFixed(2));
      this.#loop.textContent = looped ? `Loop ${from} to ${to} s` : "Loop: whole phrase";
      this.#wave.mark();
      this.#wave.tell();
      this.#show();
      if (playing) this.#follow();
    }

    /** Follow what plays until it stops; of several that follow only the last goes on. */
    #follow() {
      cancelAnimationFrame(this.#frame);
      this.#frame = requestAnimationFrame((now_ms) => this.#step(now_ms));
    }

    #frame = 0;

    #step(now_ms) {
      const due = now_ms - this.#told_ms > TELL_MS;
      if (due) {
        this.#wave.tell();
        this.#told_ms = now_ms;
      }
      if (due || !this.#still.matches) this.#show();
      if (this.#player.playing) this.#follow();
    }

    #show() {
      const { position, length, rate_hz } = this.#player;
      this.#wave.move();
      this.#time.textContent = `${(position / rate_hz).toFixed(1)} / ${(length / rate_hz).toFixed(1)} s`;
    }
  }

  page.Deck = Deck;
})();
