/* Single keys for what is on the page now, and the list of them. */
(() => {
  "use strict";
  const page = (window.comparePage ??= {});
  const { element } = page;
  const OWN_KEYS = "input:not([type=range], [type=checkbox], [type=radio]), select, textarea, dialog";
  // What the space bar presses if the focus came there by keyboard; after a click it plays.  A radio
  // button that has the focus is chosen already.
  const PRESSED_BY_SPACE = "button, summary, a, input:not([type=range], [type=radio])";

  /** Return the name of a key: letters as capitals, with "Shift+" before if it is held. */
  function nameOf(event) {
    const name = event.key.length === 1 ? event.key.toUpperCase() : event.key;
    return event.shiftKey && /^[A-Z]$/.test(name) ? `Shift+${name}` : name;
  }

  class Keyboard {
    #list = element("dl");
    #keys = {};
    #switch = element("input", { type: "checkbox" });
    #place;
    #clicked = null; // what had the last click, until Tab moves the focus
    #spent = false; // whether the space bar that is down has done its work

    /** @param {HTMLElement} place where the list goes */
    constructor(place) {
      this.#place = place;
      this.#switch.checked = true;
      const label = element("label", { class: "check" }, this.#switch, " Single keys work");
      place.append(this.#list, label);
      document.addEventListener("keydown", (event) => this.#press(event));
      document.addEventListener("pointerdown", ({ target }) => {
        this.#clicked = target.closest(PRESSED_BY_SPACE);
      });
      document.addEventListener("keyup", (event) => this.#release(event));
    }

    /**
     * Take other keys.
     * @param {Object<string, {words: string, act: function(), shown: ?string}>} keys
     */
    use(keys) {
      this.#keys = keys;
      this.#place.hidden = Object.keys(keys).length === 0;
      this.#list.replaceChildren(
        ...Object.entries(keys).flatMap(([name, { shown, words }]) => [
          element("dt", {}, element("kbd", {}, shown ?? name)),
          element("dd", {}, words),
        ]),
      );
    }

    #press(event) {
      if (event.key === "Tab") this.#clicked = null;
      if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
      if (!this.#switch.checked || event.target.closest(OWN_KEYS)) return;
      const pressed = event.target.closest(PRESSED_BY_SPACE);
      if (event.key === " " && pressed && pressed !== this.#clicked) return;
      const key = this.#keys[nameOf(event)];
      if (!key || (event.repeat && event.key === " ")) return;
      event.preventDefault();
      this.#spent = event.key === " ";
      key.act();
    }

    /** Keep a button from being pressed too: some browsers press it when the key comes up. */
    #release(event) {
      if (event.key !== " " || !this.#spent) return;
      this.#spent = false;
      event.preventDefault();
    }
  }

  page.Keyboard = Keyboard;
})();
