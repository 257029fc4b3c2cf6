/* What the sheet asks people, and what they said: open questions with their reasons, and the entries so far. */
"use strict";

(() => {
  const { h, fill } = ZL;
  const span = (clock, one) => `${clock.minute(one.start)} to ${clock.minute(one.end)}`;

  const askButton = (view, one, more) => {
    const ask = h("button", { type: "button", class: "screen", "aria-expanded": "false" }, "Say what it was");
    ask.addEventListener("click", () => {
      const opened = ask.getAttribute("aria-expanded") === "true";
      ask.setAttribute("aria-expanded", String(!opened));
      fill(more, opened ? null : ZL.reasonChips(view.sheet, one, view.soon));
      const first = more.querySelector("button");
      if (first) first.focus();
    });
    return ask;
  };

  const question = (view, one) => {
    const more = h("div", { class: "said" });
    return h(
      "div",
      { class: "asked", "data-asked": `${one.unit} ${one.start}` },
      h("b", {}, ZL.belowLine(one.unit)),
      h("span", { class: "figure" }, span(view.clock, one)),
      h("span", {}, ZL.length(one.length_s)),
      ZL.sign(one.state),
      ZL.answers ? null : askButton(view, one, more),
      more,
    );
  };

  /** The stretches that want a reason, each with the way to give one. */
  ZL.questions = (view) => {
    const { number, total_s: total, questions } = view.sheet.questions;
    const some = `${number} ${number === 1 ? "stretch" : "stretches"} without a reason, ${ZL.length(total)} together.`;
    const intro = number ? some : "Every stretch longer than a minute has its reason.";
    const rows = questions.map((one) => question(view, one));
    return h("section", { id: "questions" }, h("h2", {}, "Open questions"), h("p", {}, intro), rows);
  };

  const saidIn = (one) => {
    if (one.undoes) return [`undid entry ${one.undoes}`, ""];
    const what = one.reason === null ? "took back what was said" : one.reason;
    return [what, one.stands ? ` counts for ${ZL.length(one.in_effect_s)}` : " undone"];
  };

  const note = (view, one) => {
    const [what, effect] = saidIn(one);
    return ZL.tr(
      ZL.n(one.id),
      ZL.figure(span(view.clock, one)),
      ZL.td(ZL.belowLine(one.unit)),
      ZL.td(what, h("span", { class: "soft" }, effect)),
      ZL.td(one.by),
      ZL.td(h("bdi", {}, one.note || "")),
      ZL.td(one.stands && !ZL.answers ? ZL.undoButton(view.sheet, one.id, view.soon) : ""),
    );
  };

  /** What people said of the window; nothing where nobody said anything. */
  ZL.notes = (view) => {
    const { notes } = view.sheet;
    if (!notes.length) return null;
    const title = "What people said";
    const heads = ["Entry", "Time", "Unit", "Said", "By", "Note", { unseen: "Undo" }];
    const table = ZL.table(heads, notes.map((one) => note(view, one)));
    return h("section", {}, h("h2", {}, title), ZL.wide(title, table));
  };
})();
