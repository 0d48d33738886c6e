/* The form that a blind test and a ranking begin with. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, field, select } = page;
  const HIGHEST_SEED = 2 ** 32 - 1;

  /** Return a field to choose one of the phrases, listening points or versions. */
  const phrases = (content, chosen) => select(content.phrases.map(({ name }) => name), chosen);
  const points = (content, chosen) => select(content.points.map(({ words }) => words), chosen);
  const versions = (content, chosen, none = []) =>
    select([...none, ...content.phrases[0].versions.map(({ name }) => name)], chosen);

  /** Return an input for a whole number. */
  function number(least, most, value = "") {
    return element("input", { type: "number", min: least, max: most, step: 1, value });
  }

  /** Return the field for a seed, behind a fold: hardly anybody needs it. */
  function seedFold(input) {
    const hint = "Gives the same hidden order again. Leave it empty for an order that nobody knows.";
    const fold = element("details", {}, element("summary", {}, "Seed"), field("Seed", input, hint));
    input.addEventListener("invalid", () => { fold.open = true; }); // or nobody sees what is wrong
    return fold;
  }

  /** Return the seed in its field, or a fresh one. */
  function seedFrom(input) {
    return input.value === "" ? page.freshSeed() : Number(input.value);
  }

  page.choices = {
    phrases, points, versions, number, seedFold, seedFrom,
    seed: () => number(0, HIGHEST_SEED),
  };
})();
