
// -- before and after in one picture: two layouts and a line between them that is dragged ---------

const LINE_REACH = 8, LINE_STEP = 0.02, LINE_ENDS = [0.04, 0.96];

/** Both sides fill the picture; each is seen on its side of the line. */
function splitTiles({ width, height, divider, shown: { left } }) {
  const x = Math.round(width * divider), box = [0, 0, width, height];
  return [
    { box, clip: [0, 0, x, height], layouts: [left] },
    { box, clip: [x, 0, width - x, height], layouts: [1 - left] },
  ];
}

const isOnLine = ({ arrangement, width, divider }, x) =>
  arrangement === "split" && Math.abs(x - width * divider) < LINE_REACH;

/** Move the line to a share of the width. */
function moveLine(view, share, done) {
  view.divider = clamp(share, ...LINE_ENDS);
  view.arrange();
  view.on.divider?.(view.divider, done);
}

/** The line with its grip, and beside it, at the top, what either side is. */
function drawLine({ overlay, look, width, height, divider, layouts, shown }) {
  const { pen } = overlay, x = Math.round(width * divider), middle = height / 2;
  for (const [wide, tone] of [[4, look.paper], [1.6, look.ink]]) {
    pen.fillStyle = tone;
    pen.fillRect(x - wide / 2, 0, wide, height);
  }
  overlay.dot(x, middle, [[13, look.ink], [11.4, look.paper]]);
  pen.fillStyle = look.ink;
  for (const way of [-1, 1]) {
    pen.beginPath();
    pen.moveTo(x + 8 * way, middle);
    pen.lineTo(x + 3 * way, middle - 4.5);
    pen.lineTo(x + 3 * way, middle + 4.5);
    pen.fill();
  }
  let last = null;
  [shown.left, 1 - shown.left].forEach((number, side) => {
    const text = short(layouts[number].facts.name, 44), long = overlay.width(text, NAME_FONT) + 14;
    const left = clamp(side ? x + 10 : x - 10 - long, 6, Math.max(width - 6 - long, 6));
    const box = [left, 10, left + long, 31];
    if (last && overlap(box, last)) box[1] += 25, box[3] += 25; // the line is near the edge
    overlay.plate(text, box, number === shown.front);
    last = box;
  });
}
