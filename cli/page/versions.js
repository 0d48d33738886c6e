/* What stands beside each version: its setting, figures and pictures. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element, button } = page;

  const PICTURES = {
    trapezoid:
      "The envelope over the audio that modulates it; the stronger the colour, the more often. " +
      "Dashed lines: the rig's limits. Red line: carrier cut-off.",
    spectrum: "What goes out on both sides of the carrier: on the average, and in the 85 ms that are worst.",
  };
  const MINUS = /^-(?=[0-9])/; // becomes a true minus sign, as wide as a plus

  function rows(version, point) {
    return (version.figures[point] ?? []).flatMap(({ name, value, unit }) => [
      element("dt", {}, name),
      element("dd", {}, [value.replace(MINUS, "\u2212"), unit].filter(Boolean).join("\u00a0")),
    ]);
  }

  /** Show a picture in full size. */
  function enlarge(title, url) {
    const shown = element(
      "dialog", { "aria-label": title, click: () => shown.close(), close: () => shown.remove() },
      element("h3", {}, title), element("img", { src: url, alt: "" }), button("Close", () => shown.close()),
    );
    document.body.append(shown);
    shown.showModal();
  }

  function picture(version, { name, url }) {
    const title = `${version.name}: ${name}`;
    return element(
      "button", { type: "button", class: "picture", click: () => enlarge(title, url) },
      element("img", { src: url, alt: `${title}, enlarge` }),
    );
  }

  /** Return what stands beside a version at a listening point. */
  function card(version, point) {
    return element(
      "article", { class: "card", "aria-label": version.name },
      element("h3", {}, version.name),
      element("p", { class: "spec" }, version.spec === version.name ? "" : version.spec),
      element("dl", { class: "figures" }, ...rows(version, point)),
      element("div", { class: "pictures" }, ...version.pictures.map((one) => picture(version, one))),
    );
  }

  function capital(word) {
    return word[0].toUpperCase() + word.slice(1);
  }

  /** Return what figures and pictures say, behind a fold; nothing if none is explained. */
  function explanations(version, point) {
    const pictures = version.pictures.map(({ name }) => ({ name: capital(name), help: PICTURES[name] }));
    const explained = [...(version.figures[point] ?? []), ...pictures].filter(({ help }) => help);
    if (!explained.length) return "";
    const list = explained.flatMap(({ name, help }) => [element("dt", {}, name), element("dd", {}, help)]);
    return element(
      "details", {}, element("summary", {}, "What figures and pictures say"),
      element("dl", { class: "help" }, ...list),
    );
  }

  page.versions = { card, explanations };
})();
