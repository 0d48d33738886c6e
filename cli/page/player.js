/* Plays one phrase: play and pause, seek, loop, and which version is heard. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { onSample, endless } = page.fade;
  const SHORTEST_LOOP_S = 0.2;

  /** Sends "change" when anything but the position has changed. */
  class Player extends EventTarget {
    #context;
    #sounds = [];
    #loops = [];
    #group = null;
    #begun_s = 0; // context time at which the group began
    #from = 0; // place in the loop at that time, or where to begin, in samples
    #silent_s = 0; // context time from which on nothing of what was stopped is heard

    /** @param {AudioContext} context */
    constructor(context) {
      super();
      this.#context = context;
      this.output = new GainNode(context);
      this.output.connect(context.destination);
      this.heard = 0;
      this.first = 0; // of the loop, in samples
      this.last = 0;
    }

    get playing() {
      return this.#group !== null;
    }

    get length() {
      return this.#sounds[0]?.length ?? 0;
    }

    get rate_hz() {
      return this.#context.sampleRate;
    }

    /** Whether less than the whole phrase is repeated. */
    get looped() {
      return this.last - this.first < this.length;
    }

    /** Where it plays, in samples from the start of the phrase. */
    get position() {
      return this.#clock()(this.#context.currentTime);
    }

    /** Return a function of context time: where this plays, or would, if nothing were changed. */
    #clock() {
      const { first, last, playing } = this;
      const [begun_s, from] = [this.#begun_s, this.#from];
      return (time_s) => {
        const passed_s = playing ? Math.max(0, time_s - begun_s) : 0;
        const place = from + Math.round(passed_s * this.rate_hz);
        return first + (place % Math.max(1, last - first));
      };
    }

    /**
     * Play other sounds.
     * @param {AudioBuffer[]} sounds of one length
     * @param {number} heard which of them
     * @param {boolean} same whether it is the same phrase: place, loop and playing go on
     */
    load(sounds, heard, same) {
      if (!same) this.rewind();
      this.#sounds = sounds;
      this.heard = heard;
      if (same) this.#setLoop(this.first, this.last);
      else this.#setLoop(0, this.length);
    }

    /** Hear one of the sounds. */
    hear(place) {
      this.heard = place;
      this.#group?.hear(place);
      this.#changed();
    }

    play() {
      if (!this.playing && this.length) this.#begin(this.#clock());
    }

    pause() {
      if (this.playing) this.#halt(this.position);
    }

    /** Stop and go back to the start of the loop. */
    rewind() {
      this.#halt(this.first);
    }

    toggle() {
      if (this.playing) this.pause();
      else this.play();
    }

    /** Go to a place in the phrase; beyond the loop to its nearest end. */
    seek(place) {
      const inside = Math.min(Math.max(place, this.first), this.last - 1);
      if (this.playing) this.#begin(() => inside);
      else this.#from = inside - this.first;
      this.#changed();
    }

    /** Repeat a part of the phrase, at least SHORTEST_LOOP_S of it. */
    loop(first, last) {
      const shortest = Math.min(Math.round(SHORTEST_LOOP_S * this.rate_hz), this.length);
      const begin = Math.min(Math.max(0, Math.round(first)), this.length - shortest);
      const end = Math.min(Math.max(begin + shortest, Math.round(last)), this.length);
      this.#setLoop(begin, end);
    }

    loopAll() {
      this.#setLoop(0, this.length);
    }

    /** Repeat from first to last; what plays goes on in step if its place is still among them. */
    #setLoop(first, last) {
      const before = this.#clock();
      const inside = (place) => (place >= first && place < last ? place : first);
      this.#loops = this.#sounds.map((sound) => endless(this.#context, sound, first, last));
      const position = inside(this.position);
      this.first = first;
      this.last = last;
      if (this.playing) this.#begin((time_s) => inside(before(time_s)));
      else this.#from = position - first;
      this.#changed();
    }

    /** Start a new group where `placeAt` says; one that plays fades into it. */
    #begin(placeAt) {
      this.#context.resume();
      const make = () => new page.Group(this.#context, this.output, this.#loops, this.heard);
      const offsetAt = (time_s) => (placeAt(time_s) - this.first) / this.rate_hz;
      const free_s = this.#group?.free_s ?? this.#silent_s;
      const { group, when_s } = page.started(this.#context, make, offsetAt, free_s);
      this.#group?.end(when_s);
      this.#group = group;
      this.#begun_s = when_s;
      this.#from = placeAt(when_s) - this.first;
      this.#changed();
    }

    #halt(position) {
      const now_s = onSample(this.#context, this.#context.currentTime + 0.02);
      this.#silent_s = this.#group?.end(Math.max(now_s, this.#group.free_s)) ?? this.#silent_s;
      this.#group = null;
      this.#from = position - this.first;
      this.#changed();
    }

    #changed() {
      this.dispatchEvent(new Event("change"));
    }
  }

  page.Player = Player;
})();
