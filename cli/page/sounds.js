/* The sounds in this page, decoded when they are wanted. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { FADE_S, risen } = page.fade;

  /** Let a sound begin out of silence: one that was cut from the middle of a word clicks where it repeats. */
  function begunSoftly(sound) {
    const samples = sound.getChannelData(0);
    const faded = Math.min(Math.round(FADE_S * sound.sampleRate), samples.length);
    for (let i = 0; i < faded; i++) samples[i] *= risen(i / faded);
    return sound;
  }

  function bytesOf(base64) {
    return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0)).buffer;
  }

  class Sounds {
    #context;
    #count;
    #phrase = -1;
    #decoded = new Map(); // of one phrase only: 15 s at three listening points take 9 MB a version

    /**
     * @param {BaseAudioContext} context
     * @param {number} count how many versions there are
     */
    constructor(context, count) {
      this.#context = context;
      this.#count = count;
    }

    /**
     * Return all versions of a phrase at a listening point.
     * @returns {Promise<AudioBuffer[]>}
     */
    at(phrase, point) {
      if (phrase !== this.#phrase) this.#decoded.clear();
      this.#phrase = phrase;
      if (!this.#decoded.has(point)) this.#decoded.set(point, this.#decode(phrase, point));
      return this.#decoded.get(point);
    }

    #decode(phrase, point) {
      const places = Array.from({ length: this.#count }, (_, place) => place);
      return Promise.all(
        places.map(async (place) => {
          const stored = document.getElementById(`sound-${phrase}-${place}-${point}`);
          return begunSoftly(await this.#context.decodeAudioData(bytesOf(stored.textContent)));
        }),
      );
    }
  }

  page.Sounds = Sounds;
})();
