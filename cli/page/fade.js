/* The short crossfade: while one gain falls the other rises, and their sum is 1 throughout. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const FADE_S = 0.01; // long enough for no click, too short to be heard as a fade
  const POINTS = 481; // one a sample at 48 kHz; between them the browser draws straight lines

  const RISE = Float32Array.from({ length: POINTS }, (_, i) => risen(i / (POINTS - 1)));
  const FALL = RISE.map((gain) => 1 - gain);

  /** Return the raised cosine: 0 at 0, 1 at 1, level at both ends. */
  function risen(part) {
    return (1 - Math.cos(Math.PI * part)) / 2;
  }

  /** Return the first whole sample at or after a time, in seconds. */
  function onSample(context, time_s) {
    return Math.ceil(time_s * context.sampleRate - 1e-6) / context.sampleRate;
  }

  /**
   * Return a stretch of sound that can be repeated without a click.
   *
   * Its end blends into what comes before its start, so that the start follows from it.
   * @param {BaseAudioContext} context
   * @param {AudioBuffer} sound one channel
   * @param {number} first,last in samples; last is not part of it
   * @returns {AudioBuffer}
   */
  function endless(context, sound, first, last) {
    const from = sound.getChannelData(0);
    const stretch = from.slice(first, last);
    const blended = Math.min(Math.round(FADE_S * sound.sampleRate), stretch.length >> 1);
    for (let i = 0; i < blended; i++) {
      const rise = risen((i + 1) / (blended + 1));
      const place = stretch.length - blended + i;
      stretch[place] += rise * ((from[first - blended + i] ?? 0) - stretch[place]);
    }
    const made = context.createBuffer(1, stretch.length, sound.sampleRate);
    made.copyToChannel(stretch, 0);
    return made;
  }

  page.fade = { FADE_S, RISE, FALL, risen, onSample, endless };
})();
