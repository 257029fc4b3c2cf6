/* Tables: a header row from names, cells by what they hold, and a region in which a wide table can be scrolled. */
"use strict";

(() => {
  const { h } = ZL;

  const head = (name) => {
    if (name.unseen) return h("th", { scope: "col" }, h("span", { class: "unseen" }, name.unseen));
    return h("th", { scope: "col", class: name.n ? "n" : null }, name.n || name);
  };

  /** Make a table; a head is a name, `{ n: name }` over numbers, or `{ unseen: name }` where the eye needs none. */
  ZL.table = (heads, rows, caption) =>
    h(
      "table",
      {},
      caption ? h("caption", {}, caption) : null,
      h("thead", {}, h("tr", {}, heads.map(head))),
      h("tbody", {}, rows),
    );

  /** Make a region that is scrolled sideways by itself, by keys too, with a label that says what it holds. */
  ZL.wide = (label, ...children) =>
    h("div", { class: "wide", tabindex: "0", role: "region", "aria-label": label }, children);

  /** Make a row. */
  ZL.tr = (...cells) => h("tr", {}, cells);
  /** Make a cell with words. */
  ZL.td = (...children) => h("td", {}, children);
  /** Make a cell with a number, which stands on the right. */
  ZL.n = (...children) => h("td", { class: "n" }, children);
  /** Make a cell with a time, whose digits stand one below the other. */
  ZL.figure = (...children) => h("td", { class: "figure" }, children);
  /** Make the head of a row. */
  ZL.rowHead = (...children) => h("th", { scope: "row" }, children);

  /** Make a bar as long as a ratio of its cell. */
  ZL.share = (ratio, less = false) => {
    const bar = h("span", { class: less ? "share less" : "share" });
    bar.style.width = `${Math.min(1, ratio) * 100}%`;
    return h("td", { class: "bar" }, bar);
  };
})();
