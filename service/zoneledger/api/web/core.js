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

  /** Fill an element anew, and leave the reader's focus on what has the same label or address. */
  ZL.refill = (element, ...children) => {
    const focused = element.contains(document.activeElement) ? document.activeElement : element;
    const name = ["aria-label", "href"].find((one) => focused !== element && focused.hasAttribute(one));
    ZL.fill(element, ...children);
    if (!name) return;
    const same = element.querySelector(`[${name}="${CSS.escape(focused.getAttribute(name))}"]`);
    if (same) same.focus({ preventScroll: true });
  };

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

  /** Where the page is: the unit behind its first step, and its query. */
  ZL.place = () => {
    if (ZL.answers) {
      const [path, query] = Object.keys(ZL.answers)
        .find((key) => key.startsWith("/v1/sheet/"))
        .split("?");
      return { unit: decodeURI(path.slice("/v1/sheet/".length)), query: new URLSearchParams(query || "") };
    }
    const [, , ...steps] = location.pathname.split("/");
    return { unit: steps.map(decodeURIComponent).join("/"), query: new URLSearchParams(location.search) };
  };

  /** Write a unit as a part of an address. */
  ZL.pathOf = (unit) => unit.split("/").map(encodeURIComponent).join("/");
  /** Return the last step of a unit's path. */
  ZL.last = (unit) => unit.split("/").pop();
  /** Tell a unit below its line: cell, or cell / zone. */
  ZL.belowLine = (unit) => unit.split("/").slice(2).join(" / ");

  /** Draw the top line: the way to the page, the choice of colours, and a place for how it stands. */
  ZL.top = (trail) =>
    ZL.byId("top").replaceChildren(
      ZL.h("a", { class: "brand", href: "/" }, "Zoneledger"),
      trail,
      ZL.h("span", { class: "spread screen" }, ZL.answers ? "" : ZL.shadeButton()),
      ZL.h("span", { id: "standing", class: "soft screen", role: "status" }),
    );

  /** Say in the top line what keeps the page from being of now; nothing where all is well. */
  ZL.standing = (words) => {
    const place = ZL.byId("standing");
    if (place && place.textContent !== words) place.textContent = words;
  };
})();
