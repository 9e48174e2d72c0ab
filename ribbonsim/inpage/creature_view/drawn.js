// -- what is drawn into the picture: a guide, a place, the piece that a control bends -------------

const GUIDE_REACH = 13, BETWEEN_SEATS = 6;

/** Number of the guide's point under the pointer, or null. */
function guideAt({ shown, camera }, x, y, box) {
  let best = null, nearest = GUIDE_REACH;
  shown.guide.points.forEach((point, number) => {
    const [px, py] = camera.project(point, box, [0, 0, 0]), away = Math.hypot(px - x, py - y);
    if (away < nearest) [best, nearest] = [number, away];
  });
  return best;
}

/** A point between seats, at a fraction of their numbers. */
function seatAt(layout, at) {
  const low = Math.floor(at), share = at - low, a = layout.seat(low);
  if (!share) return [...a];
  const first = [...a], second = layout.seat(low + 1);
  return first.map((value, k) => value + share * (second[k] - value));
}

/** The midline from one seat to another, smooth in the posed body. */
function alongSeats(layout, [from, to]) {
  const whole = (at) => seatAt(layout, clamp(at, from, to));
  const count = Math.max(2, Math.ceil((to - from) * BETWEEN_SEATS) + 1), points = [];
  for (let i = 0; i < count; i++) {
    const at = from + ((to - from) * i) / (count - 1), low = Math.floor(at), u = at - low;
    const [a, b, c, d] = [low - 1, low, low + 1, low + 2].map(whole);
    // cubic through neighbours (Catmull and Rom, 1974)
    points.push([0, 1, 2].map((k) => b[k] + 0.5 * u * (c[k] - a[k] + u * (2 * a[k] - 5 * b[k] +
      4 * c[k] - d[k] + u * (3 * (b[k] - c[k]) + d[k] - a[k])))));
  }
  return points;
}

const linesOf = (look, tone) => [[6.5, `${look.paper}80`], [3.2, tone]];

/** The piece that the chosen control bends, below all dots. */
function drawPiece({ overlay, shown, camera, look }, layout, box) {
  if (!shown.piece || !shown.controls) return;
  const points = alongSeats(layout, shown.piece).map((at) => camera.project(at, box, [0, 0, 0]));
  overlay.line(points, linesOf(look, look.control));
}

/** A guide that is being drawn, alone; or the place that is looked for along the ribbon. */
function drawGuide({ overlay, camera, look }, guide, box) {
  const onPage = (at) => [...camera.project(at, box, [0, 0, 0])];
  overlay.line(guide.curve.map(onPage), linesOf(look, look.guide));
  guide.points.map(onPage).forEach(([x, y], number) => {
    const chosen = number === guide.chosen;
    overlay.dot(x, y, chosen ? [[9.6, look.paper], [8.2, look.ink], [6.6, look.guide]]
      : [[7.4, look.paper], [6, look.ink], [4.6, look.paper]]);
    overlay.write(String(number + 1), x + 12, y - 10, look.ink, SMALL_FONT, "#eef1f2e0");
  });
}

function drawPlace({ overlay, shown, camera, look }, layout, box) {
  if (shown.place === null) return;
  const [x, y] = camera.project(seatAt(layout, shown.place), box, [0, 0, 0]);
  overlay.dot(x, y, [[10, look.paper], [8.4, look.guide], [4.6, look.paper], [2.6, look.guide]]);
}
