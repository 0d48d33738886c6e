/* The waveform: where it plays, and the loop, by dragging or by keys. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element } = page;
  const DRAG_PX = 5; // less is a click
  const STEP_S = 0.1; // of an arrow key; with Shift ten of them
  const HEIGHT_USED = 0.94;

  /** Return the lowest and highest sample of all sounds behind each column. */
  function extremes(sounds, columns) {
    const lows = new Float32Array(columns);
    const highs = new Float32Array(columns);
    for (const sound of sounds) {
      const samples = sound.getChannelData(0);
      for (let i = 0; i < samples.length; i++) {
        const column = Math.floor((i * columns) / samples.length);
        if (samples[i] < lows[column]) lows[column] = samples[i];
        if (samples[i] > highs[column]) highs[column] = samples[i];
      }
    }
    return { lows, highs };
  }

  /** Return the highest peak of some sounds. */
  function peakOf(sounds) {
    const { lows, highs } = extremes(sounds, 1);
    return Math.max(-lows[0], highs[0]);
  }

  class Waveform {
    #player;
    #sounds = [];
    #peak = 1;
    #canvas = element("canvas", { "aria-hidden": "true" });
    #before = element("div", { class: "outside" });
    #after = element("div", { class: "outside" });
    #drawn = element("div", { class: "drawn", hidden: true });
    #needle = element("div", { class: "needle" });

    /** @param {Player} player */
    constructor(player) {
      this.#player = player;
      this.element = element(
        "div",
        {
          class: "waveform", role: "slider", tabindex: "0", "aria-label": "Position",
          "aria-valuemin": "0", keydown: (event) => this.#key(event),
          pointerdown: (event) => this.#drag(event),
        },
        this.#canvas, this.#before, this.#after, this.#drawn, this.#needle,
      );
      new ResizeObserver(() => this.#paint()).observe(this.element);
      matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => this.#paint());
    }

    /**
     * Draw some sounds over each other.
     * @param {AudioBuffer[]} sounds
     * @param {AudioBuffer[]} scale the sounds whose highest peak fills the height
     */
    draw(sounds, scale) {
      this.#sounds = sounds;
      this.#peak = peakOf(scale) || 1;
      this.#paint();
    }

    /** Mark the loop. */
    mark() {
      const { first, last, length } = this.#player;
      this.#before.style.width = `${(100 * first) / length}%`;
      this.#after.style.width = `${100 - (100 * last) / length}%`;
      this.element.classList.toggle("looped", this.#player.looped);
    }

    /** Move the line to where it plays. */
    move() {
      this.#needle.style.left = `${(100 * this.#player.position) / this.#player.length}%`;
    }

    /** Tell screen readers where it plays. */
    tell() {
      const [at_s, length_s] = [this.#player.position, this.#player.length].map(
        (samples) => (samples / this.#player.rate_hz).toFixed(1),
      );
      this.element.setAttribute("aria-valuemax", length_s);
      this.element.setAttribute("aria-valuenow", at_s);
      this.element.setAttribute("aria-valuetext", `${at_s} of ${length_s} seconds`);
    }

    #paint() {
      const { clientWidth: width, clientHeight: height } = this.#canvas;
      if (!width) return;
      const scale = window.devicePixelRatio;
      this.#canvas.width = Math.round(width * scale);
      this.#canvas.height = Math.round(height * scale);
      const brush = this.#canvas.getContext("2d");
      brush.fillStyle = getComputedStyle(this.element).getPropertyValue("--wave");
      const { lows, highs } = extremes(this.#sounds, this.#canvas.width);
      const [middle, unit] = [this.#canvas.height / 2, (HEIGHT_USED * this.#canvas.height) / 2];
      for (let x = 0; x < lows.length; x++) {
        const top = middle - (highs[x] / this.#peak) * unit;
        const bottom = middle - (lows[x] / this.#peak) * unit;
        brush.fillRect(x, top, 1, Math.max(1, bottom - top));
      }
    }

    /** Return the sample at a place of the pointer. */
    #sampleAt(event) {
      const { left, width } = this.element.getBoundingClientRect();
      const part = Math.min(Math.max((event.clientX - left) / width, 0), 1);
      return Math.round(part * this.#player.length);
    }

    #drag(down) {
      if (down.button !== 0 || !this.#player.length) return;
      const from = this.#sampleAt(down);
      let dragged = false;
      const move = (event) => {
        dragged ||= Math.abs(event.clientX - down.clientX) > DRAG_PX;
        if (dragged) this.#show(from, this.#sampleAt(event));
      };
      const up = (event) => {
        done();
        const ends = [from, this.#sampleAt(event)].sort((a, b) => a - b);
        if (dragged) this.#player.loop(...ends);
        else this.#player.seek(from);
      };
      const done = () => {
        this.#drawn.hidden = true;
        this.element.removeEventListener("pointermove", move);
        this.element.removeEventListener("pointerup", up);
        this.element.removeEventListener("pointercancel", done);
      };
      this.element.setPointerCapture(down.pointerId);
      this.element.addEventListener("pointermove", move);
      this.element.addEventListener("pointerup", up);
      this.element.addEventListener("pointercancel", done);
    }

    #show(from, to) {
      const [first, last] = [from, to].sort((a, b) => a - b);
      this.#drawn.hidden = false;
      this.#drawn.style.left = `${(100 * first) / this.#player.length}%`;
      this.#drawn.style.width = `${(100 * (last - first)) / this.#player.length}%`;
    }

    #key(event) {
      const step = (event.shiftKey ? 10 : 1) * STEP_S * this.#player.rate_hz;
      const goals = {
        ArrowLeft: this.#player.position - step,
        ArrowRight: this.#player.position + step,
        Home: this.#player.first,
        End: this.#player.last,
      };
      if (!(event.key in goals) || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault();
      this.#player.seek(Math.round(goals[event.key]));
      this.tell();
    }
  }

  page.Waveform = Waveform;
})();
