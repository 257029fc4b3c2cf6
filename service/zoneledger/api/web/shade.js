/* Light or dark: colours follow the system unless somebody chose. */
"use strict";

(() => {
  const darkness = matchMedia("(prefers-color-scheme: dark)");
  const chosen = () => {
    try {
      return localStorage.getItem("shade");
    } catch {
      return null;
    }
  };
  const keep = (shade) => {
    try {
      localStorage.setItem("shade", shade);
    } catch {
      /* a page that may keep nothing forgets it */
    }
  };
  const changed = () => document.dispatchEvent(new Event("shade"));
  const apply = (shade) => {
    if (shade) document.documentElement.dataset.shade = shade;
    else delete document.documentElement.dataset.shade;
    changed();
  };
  /** Whether the page is being printed. */
  ZL.printing = false;
  let before;

  /* Paper is light: what is drawn is drawn in light colours for it, and the style sheet is dark on screens only. */
  addEventListener("beforeprint", () => {
    if (ZL.printing) return;
    ZL.printing = true;
    before = document.documentElement.dataset.shade;
    apply("light");
  });
  addEventListener("afterprint", () => {
    ZL.printing = false;
    apply(before);
  });

  const isDark = () => (document.documentElement.dataset.shade || (darkness.matches ? "dark" : "light")) === "dark";

  /** Make the button that changes between light and dark. */
  ZL.shadeButton = () => {
    const label = () => (isDark() ? "Light" : "Dark");
    const button = ZL.h("button", { type: "button", class: "quiet" }, label());
    button.addEventListener("click", () => {
      const next = isDark() ? "light" : "dark";
      keep(next);
      apply(next);
      button.textContent = label();
    });
    return button;
  };

  /** Return a colour of the page as it is now, by the name that the style sheet gives it. */
  ZL.colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  apply(chosen());
  darkness.addEventListener("change", changed);
  matchMedia("(forced-colors: active)").addEventListener("change", changed);
})();
