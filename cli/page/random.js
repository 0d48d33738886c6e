/*
 * A seeded generator for hidden orders: a result names its seed, and anybody can work out the
 * order from it.
 *
 * It counts in steps of the golden ratio and mixes each count: G. Steele, D. Lea and C. Flood,
 * "Fast splittable pseudorandom number generators", OOPSLA 2014, in 32 bits; the mixing is the
 * last step of A. Appleby's MurmurHash3 (2011).
 */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const GENERATOR = "SplitMix in 32 bits with the finaliser of MurmurHash3"; // for results
  const STEP = 0x9e3779b9; // 2 ** 32 divided by the golden ratio, odd

  class Random {
    #count;

    /** @param {number} seed a whole number from 0 to 2 ** 32 - 1 */
    constructor(seed) {
      this.#count = seed >>> 0;
    }

    /** Return 32 random bits as a whole number. */
    bits() {
      this.#count = (this.#count + STEP) >>> 0;
      let mixed = this.#count;
      mixed = Math.imul(mixed ^ (mixed >>> 16), 0x85ebca6b);
      mixed = Math.imul(mixed ^ (mixed >>> 13), 0xc2b2ae35);
      return (mixed ^ (mixed >>> 16)) >>> 0;
    }

    /** Return a whole number from 0 to n - 1. */
    below(n) {
      return Math.floor((this.bits() / 2 ** 32) * n);
    }

    /** Return 0, 1, ..., n - 1 in random order (R. Fisher and F. Yates). */
    order(n) {
      const places = Array.from({ length: n }, (_, place) => place);
      for (let last = n - 1; last > 0; last--) {
        const other = this.below(last + 1);
        [places[last], places[other]] = [places[other], places[last]];
      }
      return places;
    }
  }

  /** Return a seed that nobody knows. */
  function freshSeed() {
    return crypto.getRandomValues(new Uint32Array(1))[0];
  }

  Object.assign(page, { GENERATOR, Random, freshSeed });
})();
