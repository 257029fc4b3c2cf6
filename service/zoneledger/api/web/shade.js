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
  const root = document.documentElement;
  let picked = chosen();
  const changed = () => document.dispatchEvent(new Event("shade"));
  const isDark = () => root.dataset.shade === "dark";
  const label = () => (isDark() ? "Light" : "Dark");
  const apply = (shade) => {
    root.dataset.shade = shade;
    const button = ZL.byId("shade");
    if (button) button.textContent = label();
    changed();
  };
  const follow = () => apply(picked || (darkness.matches ? "dark" : "light"));
  /** Whether the page is being printed. */
  ZL.printing = false;

  /* Paper is light: what is drawn is drawn in light colours for it, and the style sheet is dark on screens only. */
  addEventListener("beforeprint", () => {
    if (ZL.printing) return;
    ZL.printing = true;
    apply("light");
  });
  addEventListener("afterprint", () => {
    ZL.printing = false;
    follow();
  });

  /** Make the button that changes between light and dark. */
  ZL.shadeButton = () => {
    const pick = () => {
      picked = isDark() ? "light" : "dark";
      keep(picked);
      follow();
    };
    return ZL.h("button", { id: "shade", type: "button", class: "quiet", onclick: pick }, label());
  };

  /** Return a colour of the page as it is now, by the name that the style sheet gives it. */
  ZL.colour = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();

  follow();
  darkness.addEventListener("change", () => !ZL.printing && follow());
  matchMedia("(forced-colors: active)").addEventListener("change", changed);
})();
