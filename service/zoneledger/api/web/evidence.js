/* What lies behind a piece of time: the messages as they came, and what is missing among them. */
"use strict";

(() => {
  const { h } = ZL;
  const DAY_S = 86400;
  const WORDS = ["activity", "operation", "code", "for", "phase", "result", "item", "program", "panel"];
  WORDS.push("severity", "outcome");

  const inWords = ({ message }) =>
    WORDS.map((name) => message[name])
      .filter((part) => typeof part === "string")
      .join(" · ");

  const eventTable = (events, clock, caption) => {
    const whole = (event) => h("details", {}, h("summary", {}, "show"), h("code", {}, JSON.stringify(event.message)));
    const row = (event) =>
      ZL.tr(
        ZL.figure(clock.exact(event.at)),
        ZL.figure(String(event.seq)),
        ZL.td(event.type),
        ZL.td(event.zone || ""),
        ZL.td(h("bdi", {}, inWords(event))),
        ZL.td(whole(event)),
      );
    const heads = ["At", "Number", "Message", "Zone", "What it says", "As it came"];
    return ZL.wide(caption, ZL.table(heads, events.map(row), caption));
  };

  const missing = (found) => {
    const gaps = [found.before, ...found.messages].filter(Boolean).flatMap((one) => one.gaps);
    const once = new Map(gaps.map((gap) => [`${gap.boot}/${gap.first_seq}`, gap]));
    return [...once.values()].map(({ boot, first_seq: first, last_seq: last }) => {
      const what = `${ZL.count(last - first + 1, "event is", "events are")} missing here`;
      const which = `number ${first}${last > first ? ` to ${last}` : ""} of the controller's start ${boot}`;
      return h("p", { class: "heed" }, `${what}: ${which}.`);
    });
  };

  let open = null;
  const close = () => {
    if (!open) return;
    const back = open.back;
    open.panel.remove();
    open = null;
    if (back && back.isConnected) back.focus();
  };
  document.addEventListener("keydown", (event) => event.key === "Escape" && close());

  /** What people said of a piece, or may say. */
  const spoken = (sheet, piece, { start, end }, changed) => {
    const parts = [];
    if (piece.given) {
      const undo = ZL.answers ? null : ZL.undoButton(sheet, piece.entry, changed);
      parts.push(h("p", {}, `People say: ${piece.given}. `, undo));
    }
    const explains = piece.state === "fault" || (piece.state === "idle" && piece.reason === "unexplained");
    if (explains && !ZL.answers && !sheet.part_s) {
      const time = { unit: piece.unit, start, end, state: piece.state };
      parts.push(h("h3", {}, piece.given ? "Or was it" : "What was it?"), ZL.reasonChips(sheet, time, changed));
    }
    return parts;
  };

  const condensed = (sheet, time) => {
    if (!sheet.part_s) return null;
    const href = `/sheet/${ZL.pathOf(sheet.unit)}?${new URLSearchParams(time)}`;
    const what = "Ribbons of so much time show what held longest in each part. ";
    return h("p", {}, what, ZL.answers ? null : [h("a", { href }, "Open this stretch by itself"), "."]);
  };

  const told = (found, clock, cut) => {
    const events = found.messages.filter((one) => one.type !== "snapshot");
    const snapshots = found.messages.length - events.length;
    const number = ZL.count(snapshots, "snapshot");
    const soft = (words) => h("p", { class: "soft" }, words);
    return [
      found.before ? eventTable([found.before], clock, "The last message before, which made it so") : null,
      events.length
        ? eventTable(events, clock, "Events in this time")
        : h("p", { class: "none" }, "No event came of this time."),
      snapshots ? soft(`${number} of the controller's whole condition came besides.`) : null,
      found.next !== null || cut ? soft("There are more messages of this time than are shown here.") : null,
      missing(found),
    ];
  };

  const messages = async (piece, sheet, clock) => {
    const none = (words) => h("p", { class: "none" }, words);
    if (ZL.answers) return none("This page was saved as a file; the messages are in the service.");
    const to = Math.min(piece.to, piece.from + DAY_S);
    const [start, end] = [piece.from, to].map((seconds) => ZL.instant(sheet.start, seconds));
    try {
      const query = new URLSearchParams({ start, end, limit: "1000" });
      return told(await ZL.get(`/v1/evidence/${ZL.pathOf(piece.unit)}?${query}`), clock, to < piece.to);
    } catch (error) {
      return h("p", { class: "heed" }, `The messages cannot be shown: ${ZL.why(error)}`);
    }
  };

  const headOf = (piece) => {
    const closing = h("button", { type: "button", onclick: close }, "Close");
    const title = h("h2", {}, ZL.sign(piece.state), ZL.because(piece, ", "));
    return { head: h("div", { class: "head" }, title, closing), closing };
  };

  /** Open the evidence of a piece of a unit's time; focus returns to `back` when it is closed. */
  ZL.openEvidence = async (sheet, clock, piece, back, changed) => {
    close();
    const time = { start: ZL.instant(sheet.start, piece.from), end: ZL.instant(sheet.start, piece.to) };
    const { head, closing } = headOf(piece);
    const body = h("div", {}, h("p", { class: "none" }, "Reading the messages …"));
    const when = `${clock.exact(time.start)} to ${clock.exact(time.end)}, ${ZL.length(piece.to - piece.from)}`;
    const panel = h(
      "section",
      { class: "evidence", role: "dialog", "aria-label": "Evidence" },
      head,
      h("p", {}, `${piece.unit}: ${when}`),
      spoken(sheet, piece, time, changed),
      condensed(sheet, time),
      body,
    );
    document.body.append(panel);
    open = { panel, back };
    closing.focus();
    ZL.fill(body, await messages(piece, sheet, clock));
  };
})();
