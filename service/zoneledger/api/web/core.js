/* What every page is made of: elements, where the page is, and its top line. Text only ever becomes text nodes. */
"use strict";

const ZL = {};

(() => {
  const present = (children) =>
    children.flat(Infinity).filter((child) => child !== null && child !== undefined && child !== false);

  /** Make an element: attributes, `on...` handlers, and children that are elements or texts. */
  ZL.h = (name, attributes = {}, ...children) => {
    const element = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) {
      if (value === null || value === undefined || value === false) continue;
      if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
      else element.setAttribute(key, value === true ? "" : String(value));
    }
    element.append(...present(children));
    return element;
  };

  /** Put children in the place of what an element holds. */
  ZL.fill = (element, ...children) => {
    element.replaceChildren(...present(children));
    return element;
  };

  const NAMES = ["id", "aria-label", "href"];

  /** Return what finds an element again in what is drawn anew: by its id, label or address; null where it has none. */
  const selectorOf = (element) => {
    const name = NAMES.find((one) => element.hasAttribute(one));
    return name ? `[${name}="${CSS.escape(element.getAttribute(name))}"]` : null;
  };

  /** Note what the reader did to what an element holds; return what does that to what is drawn anew. */
  const reading = (element) => {
    const all = (what) => [...element.querySelectorAll(what)];
    const active = document.activeElement;
    const focused = element !== active && element.contains(active) ? selectorOf(active) : null;
    const opened = all("details[id][open]").map(selectorOf);
    const scrolled = all(".wide").map((one) => [selectorOf(one), one.scrollLeft]);
    const found = (selector, then) => {
      const same = element.querySelector(selector);
      if (same) then(same);
    };
    return () => {
      for (const one of opened) found(one, (same) => (same.open = true));
      for (const [one, left] of scrolled) if (left) found(one, (same) => (same.scrollLeft = left));
      if (focused) found(focused, (same) => same.focus({ preventScroll: true }));
    };
  };

  /** Fill an element anew, and leave the reader's focus, what they opened and how far they scrolled as they were. */
  ZL.refill = (element, ...children) => {
    const restore = reading(element);
    ZL.fill(element, ...children);
    restore();
  };

  /** Make what can be opened, and stays open where it is drawn anew. */
  ZL.details = (id, summary, ...children) =>
    ZL.h("details", { id }, ZL.h("summary", { id: `${id}-summary` }, summary), children);

  /** Put an element where a stretch of a length lies; `to` is null for what is an instant. */
  ZL.put = (element, from, to, length) => {
    element.style.left = `${(from / length) * 100}%`;
    if (to !== null) element.style.width = `${((to - from) / length) * 100}%`;
    return element;
  };

  /** Return the element of an id. */
  ZL.byId = (id) => document.getElementById(id);

  /* A page that was saved by `zoneledger report` carries its answers with it. */
  const kept = document.getElementById("answers");
  ZL.answers = kept ? JSON.parse(kept.textContent) : null;

  /** Make a link to a page of the service, of a `unit` where it is of one; in a page that was saved, and to what the
      reader does not reach, it is a text. */
  ZL.link = ({ href, unit, ...attributes }, ...children) =>
    ZL.answers || (unit && !ZL.reaches(unit))
      ? ZL.h("span", attributes, children)
      : ZL.h("a", { href, ...attributes }, children);

  const decoded = (step) => {
    try {
      return decodeURIComponent(step);
    } catch {
      return step; // no text: the service says that there is no such unit
    }
  };

  /** Where the page is: the unit behind its first step, and its query. */
  ZL.place = () => {
    if (ZL.answers) {
      const [path, query] = Object.keys(ZL.answers)
        .find((key) => key.startsWith("/v1/sheet/"))
        .split("?");
      return { unit: decodeURI(path.slice("/v1/sheet/".length)), query: new URLSearchParams(query || "") };
    }
    const [, , ...steps] = location.pathname.split("/");
    return { unit: steps.map(decoded).join("/"), query: new URLSearchParams(location.search) };
  };

  /** Write a unit as a part of an address. */
  ZL.pathOf = (unit) => unit.split("/").map(encodeURIComponent).join("/");
  /** Return the last step of a unit's path. */
  ZL.last = (unit) => unit.split("/").pop();
  /** Tell a unit below its line: cell, or cell / zone. */
  ZL.belowLine = (unit) => unit.split("/").slice(2).join(" / ");

  /** Tell a unit below the one that a sheet is of. */
  ZL.below = (sheet, unit) => unit.slice(sheet.unit.length + 1).split("/").join(" / ");

  /** Draw the top line: the way to the page, the choice of colours, who is logged in, and a place for how it stands. */
  ZL.top = (trail) => {
    ZL.byId("top").replaceChildren(
      ZL.link({ class: "brand", href: "/" }, "Zoneledger"),
      trail,
      ZL.h("span", { class: "spread screen" }, ZL.answers ? "" : ZL.shadeButton()),
      ZL.h("span", { id: "who", class: "screen" }),
      ZL.h("span", { id: "standing", class: "soft screen", role: "status" }),
    );
    ZL.showWho();
  };

  /** Say in the top line what keeps the page from being of now; nothing where all is well. */
  ZL.standing = (words) => {
    const place = ZL.byId("standing");
    if (place && place.textContent !== words) place.textContent = words;
  };
})();
