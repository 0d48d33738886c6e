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

  /** Return what a figure says; where that hangs on the version, such as a rig's limit, for each. */
  function meanings(versions, point, place) {
    const named = new Map();
    for (const { name, figures } of versions) {
      const { help } = figures[point][place];
      named.set(help, [...(named.get(help) ?? []), name]);
    }
    if (named.size === 1) return [...named.keys()];
    return [...named].map(([help, names]) => `${names.join("; ")}: ${help}`);
  }

  /** Return what figures and pictures say, behind a fold; nothing if none is explained. */
  function explanations(versions, point, open) {
    const [{ figures, pictures }] = versions;
    const explained = [
      ...(figures[point] ?? []).map(({ name }, place) => [name, meanings(versions, point, place)]),
      ...pictures.map(({ name }) => [capital(name), [PICTURES[name]]]),
    ].map(([name, helps]) => [name, helps.filter(Boolean)]);
    const list = explained.filter(([, helps]) => helps.length).flatMap(([name, helps]) =>
      [element("dt", {}, name), ...helps.map((help) => element("dd", {}, help))]);
    if (!list.length) return "";
    return element(
      "details", { open }, element("summary", {}, "What figures and pictures say"),
      element("dl", { class: "help" }, ...list),
    );
  }

  page.versions = { card, explanations };
})();
