/* What the sheet asks people, and what they said: open questions with their reasons, and the entries so far. */
"use strict";

(() => {
  const { h, fill } = ZL;
  const span = (clock, one) => `${clock.at(one.start)} to ${clock.at(one.end)}`;

  const isOpen = (ask) => ask.getAttribute("aria-expanded") === "true";

  /** Say in the section what came of a reason that was given in a row, which is closed: it is no question any more. */
  const kept = (view, ask, words) => {
    const said = ZL.byId("asked-said");
    said.textContent = words;
    if (ask.closest(".asked").contains(document.activeElement)) said.focus({ preventScroll: true });
    if (isOpen(ask)) ask.click();
    view.soon();
  };

  const askButton = (view, one, more) => {
    const ask = h("button", { type: "button", class: "screen", "aria-expanded": "false" }, "Say what it was");
    ask.addEventListener("click", () => {
      const opened = isOpen(ask);
      ask.setAttribute("aria-expanded", String(!opened));
      fill(more, opened ? null : ZL.reasonChips(view.sheet, one, (words) => kept(view, ask, words)));
      const first = more.querySelector("button");
      if (first) first.focus();
    });
    return ask;
  };

  const keyOf = (one) => `${one.unit} ${one.start}`;

  const question = (view, one) => {
    const more = h("div", { class: "said" });
    return h(
      "div",
      { class: "asked", "data-asked": keyOf(one) },
      h("b", {}, ZL.belowLine(one.unit)),
      h("span", { class: "figure" }, span(view.clock, one)),
      h("span", {}, ZL.length(one.length_s)),
      ZL.sign(one.state),
      ZL.answers ? null : askButton(view, one, more),
      more,
    );
  };

  /* What stood in unknown time, and why, nobody knows: it may hold stretches without a reason, too. */
  const intro = ({ number, total_s: total }, { planned_s: planned, time_s: time }) => {
    const unknown = time.unknown ? `${ZL.length(time.unknown)} of planned time is unknown.` : "";
    if (number) {
      const asked = `${ZL.count(number, "stretch", "stretches")} without a reason, ${ZL.length(total)} together.`;
      return unknown ? `${asked} Besides, ${unknown}` : asked;
    }
    if (!planned) return "Nothing is planned in this time.";
    if (unknown) return `No stretch longer than a minute is known to be without a reason, but ${unknown}`;
    return "Every stretch longer than a minute has its reason.";
  };

  /** The stretches that want a reason, each with the way to give one: filled by ZL.renewQuestions. */
  ZL.questions = () =>
    h(
      "section",
      { id: "questions" },
      h("h2", {}, "Open questions"),
      h("p", { id: "asked-intro" }),
      h("p", { id: "asked-said", class: "said", role: "status", tabindex: "-1" }),
      h("div", { id: "asked" }),
    );

  /** Put rows in the place of others; those that are among both are not touched, and keep the reader's focus. */
  const put = (list, rows) => {
    for (const row of [...list.children]) if (!rows.includes(row)) row.remove();
    let next = list.firstChild;
    for (const row of rows) {
      if (row === next) next = next.nextSibling;
      else list.insertBefore(row, next);
    }
  };

  /** Show the questions of now; a row in which somebody is about to give a reason stays as it is. */
  ZL.renewQuestions = (view) => {
    const { questions, figures } = view.sheet;
    const list = ZL.byId("asked");
    ZL.byId("asked-intro").textContent = intro(questions, figures);
    const held = [...list.querySelectorAll(".asked:has([aria-expanded=true])")];
    const stays = new Map(held.map((row) => [row.dataset.asked, row]));
    const rows = questions.questions.map((one) => stays.get(keyOf(one)) || question(view, one));
    const gone = held.filter((row) => !rows.includes(row) && row.contains(document.activeElement));
    const asked = list.contains(document.activeElement) ? document.activeElement.closest(".asked") : null;
    put(list, [...gone, ...rows]);
    if (!asked || asked.isConnected) return;
    const same = rows.find((row) => row.dataset.asked === asked.dataset.asked);
    if (same) same.querySelector("button").focus({ preventScroll: true });
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
