/* Making elements. Text, also names given by users, only ever becomes text nodes. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});

  /**
   * Make an element.
   * @param {string} tag
   * @param {Object} settings attributes; a function is a listener ("click"), true an empty attribute.
   * @param {...(Node|string)} children
   * @returns {HTMLElement}
   */
  function element(tag, settings = {}, ...children) {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(settings)) {
      if (typeof value === "function") made.addEventListener(name, value);
      else if (value === true) made.setAttribute(name, "");
      else if (value !== false && value !== null) made.setAttribute(name, value);
    }
    made.append(...children);
    return made;
  }

  /** Make a button. `key` is shown on it and told to screen readers. */
  function button(words, press, settings = {}, key = "") {
    const made = element("button", { type: "button", click: press, ...settings });
    if (key) {
      made.setAttribute("aria-keyshortcuts", key);
      made.append(element("kbd", { "aria-hidden": "true" }, key), " ");
    }
    made.append(element("span", {}, words));
    return made;
  }

  /** Make a labelled form field. */
  function field(words, control, hint = "") {
    const label = element("label", { class: "field" }, element("span", {}, words), control);
    if (hint) label.append(element("small", {}, hint));
    return label;
  }

  /** Make a list to choose from; values are the places 0, 1, ... */
  function select(names, chosen, change = () => {}) {
    const made = element("select", { change: () => change(Number(made.value)) });
    names.forEach((name, place) => made.append(element("option", { value: place }, name)));
    made.value = chosen;
    return made;
  }

  /** Tell screen readers. */
  function say(words) {
    document.getElementById("said").textContent = words;
  }

  /** Show what went wrong. */
  function complain(words) {
    const problem = document.getElementById("problem");
    problem.textContent = words;
    problem.hidden = false;
  }

  Object.assign(page, { element, button, field, select, say, complain });
})();
