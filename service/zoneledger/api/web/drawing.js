/* What is drawn on canvases: the pieces of a ribbon, and the strip of fasteners beneath it. */
"use strict";

(() => {
  const LETTER_FITS = 15;
  const LETTER_HIGH = 18;

  const sizes = new WeakMap();

  const measured = (canvas) => {
    const width = canvas.clientWidth || canvas.parentElement.clientWidth;
    const scale = Math.min(3, Math.max(1.5, window.devicePixelRatio || 1));
    return { width, scale };
  };

  /** Return the size of a canvas; while the page is printed the one it had, as paper stretches the drawing. */
  const sizeOf = (canvas) => {
    if (!ZL.printing || !sizes.has(canvas)) sizes.set(canvas, measured(canvas));
    return sizes.get(canvas);
  };

  const sized = (canvas, height) => {
    const { width, scale } = sizeOf(canvas);
    canvas.width = Math.max(1, Math.round(width * scale));
    canvas.height = Math.round(height * scale);
    const pen = canvas.getContext("2d");
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, width, height);
    return { pen, width };
  };

  /** Write a letter on a light plate, so that it can be read on any pattern. */
  const plate = (pen, x, y, letter) => {
    pen.fillStyle = ZL.colour("plate");
    pen.fillRect(x - 6, y - 8, 12, 16);
    pen.fillStyle = ZL.colour("ink");
    pen.fillText(letter, x, y + 0.5);
  };

  const drawPiece = (pen, piece, x, w, height) => {
    const waits = ZL.isHeadWait(piece);
    const ink = ZL.inks(pen)[waits ? "head" : piece.state];
    pen.fillStyle = ink.fill;
    if (waits) pen.fillRect(x, height * 0.32, w, height * 0.36);
    else pen.fillRect(x, 0, w, height);
    if (piece.given) {
      pen.fillStyle = ink.text;
      pen.fillRect(x, height - 3, w, 3);
    }
    if (w >= LETTER_FITS && height >= LETTER_HIGH && !waits && piece.state !== "running") {
      plate(pen, x + w / 2, height / 2, ZL.LETTER[piece.state]);
    }
  };

  /** Draw the pieces of a ribbon over so many seconds. */
  ZL.drawPieces = (canvas, pieces, length, height) => {
    const { pen, width } = sized(canvas, height);
    pen.font = `700 ${Math.min(13, height - 8)}px system-ui, sans-serif`;
    pen.textAlign = "center";
    pen.textBaseline = "middle";
    for (const piece of pieces) {
      const w = Math.max(0.75, ((piece.to - piece.from) / length) * width);
      drawPiece(pen, piece, (piece.from / length) * width, w, height);
    }
  };

  /** Make the strip of fasteners beneath a ribbon: a bar for each part of the window, the worst result on top. */
  ZL.strip = ({ label, made, good, parts, height, most }) => {
    const canvas = ZL.h("canvas", { class: "drawn", role: "img", "aria-label": label });
    canvas.style.height = `${height}px`;
    const own = { canvas, made, good, most };
    own.draw = () => {
      const { pen, width } = sized(canvas, height);
      const [pace, fault] = [ZL.colour("pace"), ZL.colour("fault")];
      const w = Math.max(0.75, width / parts - 0.75);
      own.made.forEach((number, k) => {
        const x = (k / parts) * width;
        const full = (number / own.most) * (height - 2);
        const bad = ((number - own.good[k]) / own.most) * (height - 2);
        pen.fillStyle = pace;
        pen.fillRect(x, height - full, w, full);
        pen.fillStyle = fault;
        if (bad > 0) pen.fillRect(x, height - full, w, Math.max(2, bad));
      });
    };
    own.change = (pace, highest) => {
      Object.assign(own, { made: pace.made, good: pace.good, most: highest });
      own.draw();
    };
    return own;
  };
})();
