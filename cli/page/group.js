/* All versions of one phrase at one listening point, running in step; one of them is heard. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { FADE_S, RISE, FALL, onSample } = page.fade;
  const SWITCH_LEAD_S = 0.02; // the audio thread renders ahead; a change must reach it in time
  const START_LEAD_S = 0.05; // starting takes longer: every source must be told before it is due
  const START_TRIES = 5;

  class Group {
    #context;
    #master;
    #gains;
    #sources;
    #wanted;
    #switchFree_s = 0;
    #masterFree_s = 0;
    #timer = 0;

    /**
     * @param {BaseAudioContext} context
     * @param {AudioNode} output
     * @param {AudioBuffer[]} sounds of one length; they repeat for ever
     * @param {number} heard which of them
     */
    constructor(context, output, sounds, heard) {
      this.#context = context;
      this.heard = heard;
      this.#wanted = heard;
      this.#master = new GainNode(context, { gain: 0 });
      this.#master.connect(output);
      this.#gains = sounds.map((_, place) => new GainNode(context, { gain: Number(place === heard) }));
      this.#sources = sounds.map((buffer) => new AudioBufferSourceNode(context, { buffer, loop: true }));
      this.#sources.forEach((source, place) => source.connect(this.#gains[place]).connect(this.#master));
    }

    /** The earliest time at which the whole group can fade, in seconds. */
    get free_s() {
      return this.#masterFree_s;
    }

    /**
     * Start all versions at one instant, by a fade.
     * @param {number} offset_s where in the sounds
     * @param {number} when_s context time, on a sample
     */
    start(offset_s, when_s) {
      for (const source of this.#sources) source.start(when_s, offset_s);
      this.#fadeMaster(RISE, when_s);
    }

    /** Fade out and stop for good; return when that is done. */
    end(when_s) {
      clearTimeout(this.#timer);
      this.#fadeMaster(FALL, when_s);
      for (const source of this.#sources) source.stop(when_s + FADE_S);
      this.#sources[0].onended = () => this.#master.disconnect();
      return this.#masterFree_s;
    }

    /** Leave a group that was started too late to be in step, before it is heard. */
    discard() {
      clearTimeout(this.#timer);
      this.#master.disconnect();
      for (const source of this.#sources) source.stop();
    }

    #fadeMaster(curve, when_s) {
      this.#master.gain.setValueCurveAtTime(curve, when_s, FADE_S);
      this.#masterFree_s = this.#behindFade(when_s);
    }

    /** Return when the next fade may begin: a sample later, since curves that touch may overlap by rounding. */
    #behindFade(when_s) {
      return onSample(this.#context, when_s + FADE_S) + 1 / this.#context.sampleRate;
    }

    /**
     * Hear another version.
     *
     * One fade at a time: a wish during a fade waits for its end, and of several only the last
     * counts. So no scheduled curve is ever cancelled, which browsers do in different ways.
     */
    hear(version) {
      this.#wanted = version;
      if (!this.#timer) this.#crossfade();
    }

    #crossfade() {
      if (this.#wanted === this.heard) return;
      const earliest_s = Math.max(this.#context.currentTime + SWITCH_LEAD_S, this.#switchFree_s);
      const when_s = onSample(this.#context, earliest_s);
      this.#gains[this.heard].gain.setValueCurveAtTime(FALL, when_s, FADE_S);
      this.#gains[this.#wanted].gain.setValueCurveAtTime(RISE, when_s, FADE_S);
      this.heard = this.#wanted;
      this.#switchFree_s = this.#behindFade(when_s);
      const wait_s = this.#switchFree_s - this.#context.currentTime - SWITCH_LEAD_S;
      this.#timer = setTimeout(() => this.#again(), Math.max(0, wait_s * 1000));
    }

    #again() {
      this.#timer = 0;
      this.#crossfade();
    }
  }

  /**
   * Start a group and make sure that it was told in time; else its versions were out of step.
   * @param {BaseAudioContext} context
   * @param {function(): Group} make
   * @param {function(number): number} offsetAt where in the sounds, in seconds, by context time
   * @param {number} earliest_s not before this context time
   * @returns {{group: Group, when_s: number}}
   */
  function started(context, make, offsetAt, earliest_s = 0) {
    for (let attempt = 1; ; attempt++) {
      const group = make();
      const lead_s = START_LEAD_S * 2 ** (attempt - 1);
      const when_s = onSample(context, Math.max(context.currentTime + lead_s, earliest_s));
      group.start(offsetAt(when_s), when_s);
      if (context.currentTime < when_s) return { group, when_s };
      group.discard();
      if (attempt === START_TRIES) throw new Error("this computer is too busy to play in step");
    }
  }

  Object.assign(page, { Group, started });
})();
