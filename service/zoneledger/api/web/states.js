/* The five states: word, letter, colour and pattern. Colours by meaning (IEC 60073: green normal, yellow abnormal,
   red faulty, blue wants a person, white without meaning), and never colour alone. */
"use strict";

(() => {
  ZL.STATES = ["running", "idle", "fault", "changeover", "unknown"];
  ZL.LETTER = { running: "R", idle: "I", fault: "F", changeover: "C", unknown: "U" };
  ZL.STATE = { R: "running", I: "idle", F: "fault", C: "changeover", U: "unknown" };
  const TILE = 8;

  const line = (pen, x, y, u, v) => {
    pen.beginPath();
    pen.moveTo(x, y);
    pen.lineTo(u, v);
    pen.stroke();
  };
  const slanted = (pen, from, to) => {
    for (const k of [-TILE, 0, TILE]) line(pen, k, from, k + TILE, to);
  };
  const PATTERNS = {
    running: () => {},
    idle: (pen) => {
      for (const [x, y] of [[2, 2], [6, 6]]) pen.fillRect(x, y, 2, 2);
    },
    fault: (pen) => {
      slanted(pen, 0, TILE);
      slanted(pen, TILE, 0);
    },
    changeover: (pen) => line(pen, 4, 0, 4, TILE),
    unknown: (pen) => slanted(pen, TILE, 0),
    head: () => {},
  };

  const tileOf = (name) => {
    const tile = document.createElement("canvas");
    tile.width = tile.height = TILE;
    const brush = tile.getContext("2d");
    brush.fillStyle = ZL.colour(name);
    brush.fillRect(0, 0, TILE, TILE);
    brush.fillStyle = brush.strokeStyle = ZL.colour(`${name}-mark`);
    brush.lineWidth = 1;
    PATTERNS[name](brush);
    return tile;
  };

  let made = null;
  document.addEventListener("shade", () => (made = null));

  /** Return for each state its pattern and the colour of its letter, in the present colours of the page. */
  ZL.inks = (pen) => {
    const ink = (name) => ({ fill: pen.createPattern(tileOf(name), "repeat"), text: ZL.colour(`${name}-text`) });
    made = made || Object.fromEntries(Object.keys(PATTERNS).map((name) => [name, ink(name)]));
    return made;
  };

  /** A small sign for a state: its letter on its colour, and the word. */
  ZL.sign = (state) =>
    ZL.h("span", { class: `sign ${state}` }, ZL.h("b", { "aria-hidden": "true" }, ZL.LETTER[state]), ` ${state}`);

  const WORDS = {
    unexplained: "no reason told",
    no_evidence: "not heard of yet",
    head: "waits for the head",
    process: "works",
    load: "loading",
    unload: "unloading",
    setup: "setting up",
    minor_stop: "minor stops",
    gap: "messages missing",
    reboot: "nothing heard until the controller's next start",
    clock: "the controller's clock was set back",
    not_reported: "left out by the controller's snapshots",
    no_snapshot: "no snapshot yet",
    silence: "nothing heard",
    not_kept: "not kept any more",
  };

  /** What a reason is called: the contract's words and alarm codes as they came, others in plain words. */
  ZL.reason = (state, reason) => {
    if (reason === null || reason === undefined) return WORDS.no_evidence;
    if (state === "fault") return reason;
    if (state === "idle" && !WORDS[reason]) return `waits for ${reason}`;
    return WORDS[reason] || reason;
  };

  const HEAD_IN_NO_ZONE = "no zone works, one waits for the head";
  const isForHead = (state, reason) => state === "idle" && reason === "head";
  const isZone = (unit) => unit.split("/").length > 3;

  /** What a reason of a cell is called: one that waits for the head has lost that time, as none of its zones works. */
  ZL.reasonOfCell = (state, reason) => (isForHead(state, reason) ? HEAD_IN_NO_ZONE : ZL.reason(state, reason));

  /** Tell the reason of a unit's state where it needs one: running time speaks for itself. */
  ZL.because = ({ unit, state, reason }, before) => {
    if (state === "running") return "";
    return `${before}${isZone(unit) ? ZL.reason(state, reason) : ZL.reasonOfCell(state, reason)}`;
  };

  /** Whether a zone waits for the head, by which its cell loses nothing. */
  ZL.isHeadWait = ({ unit, state, reason }) => isZone(unit) && isForHead(state, reason);
})();
