/* Ribbons: a unit's states over the window on one time axis, walked by pointer and by key. */
"use strict";

(() => {
  const STEPS = { ArrowRight: 1, ArrowLeft: -1, ArrowUp: 1, ArrowDown: -1 };
  const TICKS_S = [300, 900, 1800, 3600, 7200, 14400, 28800, 86400, 172800];
  const WEEK_S = 604800;
  const DAY_S = 86400;
  const MOST_TICKS = 12;

  /** The pieces of a ribbon as the answer of /v1/sheet tells them. */
  ZL.piecesOf = (ribbon, sheet) => {
    let from = 0;
    return ribbon.to_s.map((to, k) => {
      const piece = {
        unit: ribbon.unit,
        from,
        to,
        state: ZL.STATE[ribbon.states[k]],
        reason: sheet.reason_names[ribbon.reasons[k]],
        given: ribbon.given[k] || null,
        entry: ribbon.given_ids[k] || null,
      };
      from = to;
      return piece;
    });
  };

  /** Tell a piece in words. */
  ZL.tellPiece = (piece, clock, origin) => {
    const at = (seconds) => clock.second(new Date(origin + seconds * 1000));
    const given = piece.given ? `, said to be ${piece.given}` : "";
    const what = `${piece.state}${ZL.because(piece.state, piece.reason, ", ")}${given}`;
    return `${what}, ${at(piece.from)} to ${at(piece.to)}, ${ZL.length(piece.to - piece.from)}`;
  };

  /** Return where an axis of time is marked, and whether by days. */
  ZL.ticksOf = (start, end) => {
    const length = (end - start) / 1000;
    const step = TICKS_S.find((one) => length / one <= MOST_TICKS) || WEEK_S;
    const first = Math.ceil(start / 1000 / step) * step;
    const ticks = [];
    for (let at = first; at * 1000 < end; at += step) ticks.push(at * 1000);
    return { ticks, days: step >= DAY_S };
  };

  const limits = ({ track, pieces, chosen }) => {
    track.setAttribute("aria-valuemax", String(Math.max(0, pieces.length - 1)));
    if (chosen >= 0) return;
    const words = pieces.length ? `${pieces.length} pieces; arrow keys go through them` : "nothing yet";
    track.setAttribute("aria-valuenow", "0");
    track.setAttribute("aria-valuetext", words);
  };

  const choose = (own, k) => {
    own.chosen = Math.max(0, Math.min(own.pieces.length - 1, k));
    const piece = own.pieces[own.chosen];
    if (!piece) return;
    own.mark.hidden = false;
    ZL.put(own.mark, piece.from, piece.to, own.length);
    const words = own.told(piece);
    own.track.setAttribute("aria-valuenow", String(own.chosen));
    own.track.setAttribute("aria-valuetext", words);
    own.tell(`${own.label}: ${words}`);
  };

  const pointed = (own, event) => {
    const box = own.track.getBoundingClientRect();
    const seconds = ((event.clientX - box.left) / box.width) * own.length;
    return own.pieces.findIndex((piece) => piece.to > seconds);
  };

  const byPointer = (own) => {
    own.track.addEventListener("pointermove", (event) => {
      const k = pointed(own, event);
      if (k >= 0) own.tell(`${own.label}: ${own.told(own.pieces[k])}`);
    });
    own.track.addEventListener("click", (event) => {
      const k = pointed(own, event);
      if (k < 0) return;
      choose(own, k);
      own.open(own.pieces[k], own.track);
    });
  };

  const byKeys = (own) =>
    own.track.addEventListener("keydown", (event) => {
      if (event.altKey || event.ctrlKey || event.metaKey) return;
      if (event.key in STEPS) choose(own, own.chosen + STEPS[event.key]);
      else if (event.key === "Home") choose(own, 0);
      else if (event.key === "End") choose(own, own.pieces.length - 1);
      else if ((event.key === "Enter" || event.key === " ") && own.chosen >= 0) {
        own.open(own.pieces[own.chosen], own.track);
      } else return;
      event.preventDefault();
    });

  /** Make the ribbon of a unit. `open` is called with a piece when somebody wants its evidence. */
  ZL.ribbon = ({ label, pieces, length, origin, clock, height, tell, open }) => {
    const canvas = ZL.h("canvas", { class: "drawn", "aria-hidden": "true" });
    const mark = ZL.h("span", { class: "mark", hidden: true });
    const slider = { class: "ribbon", tabindex: "0", role: "slider", "aria-label": label, "aria-valuemin": "0" };
    const track = ZL.h("div", slider, canvas, mark);
    canvas.style.height = track.style.height = `${height}px`;
    const own = { label, pieces, length, tell, open, mark, track, chosen: -1 };
    own.told = (piece) => ZL.tellPiece(piece, clock, origin);
    own.draw = () => ZL.drawPieces(canvas, own.pieces, length, height);
    own.change = (next) => {
      own.pieces = next;
      limits(own);
      own.draw();
    };
    byPointer(own);
    byKeys(own);
    limits(own);
    return own;
  };
})();
