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
    no_evidence: "no evidence",
    head: "waits for the head",
    process: "works",
    load: "loading",
    unload: "unloading",
    setup: "setting up",
    gap: "messages missing",
    silence: "nothing heard",
    not_kept: "not kept any more",
  };

  /** What a reason is called: the contract's words and alarm codes as they came, others in plain words. */
  ZL.reason = (state, reason) => {
    if (reason === null || reason === undefined) return "no evidence";
    if (state === "fault") return reason;
    if (state === "idle" && !WORDS[reason]) return `waits for ${reason}`;
    return WORDS[reason] || reason;
  };

  /** Tell the reason of a state where it needs one: running time speaks for itself. */
  ZL.because = (state, reason, before) => (state === "running" ? "" : `${before}${ZL.reason(state, reason)}`);

  /** Whether a zone waits for the head, by which its cell loses nothing. */
  ZL.isHeadWait = (state, reason) => state === "idle" && reason === "head";
})();
