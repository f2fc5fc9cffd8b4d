/** Ellipses [cx, cy, long, short, degrees], semi-axes, px of the frame: containment, and where their numbers stand. */

/** Whether a point lies inside an ellipse that is larger by a margin all round. */
export function contains([cx, cy, long, short, degrees], [x, y], margin = 0) {
  const turn = (degrees * Math.PI) / 180;
  const along = (x - cx) * Math.cos(turn) + (y - cy) * Math.sin(turn);
  const across = (y - cy) * Math.cos(turn) - (x - cx) * Math.sin(turn);
  return Math.hypot(along / (long + margin), across / (short + margin)) <= 1;
}

/** How far the ellipse reaches from its centre in this direction (radians). */
function reach([, , long, short, degrees], angle) {
  const turn = angle - (degrees * Math.PI) / 180;
  return (long * short) / Math.hypot(short * Math.cos(turn), long * Math.sin(turn));
}

const EIGHTH = Math.PI / 4;
const DIRECTIONS = [-1, 1, -3, 3, -2, 2, 0, 4].map((eighths) => eighths * EIGHTH); // upper right first
const DISTANCES = [0, 0.7, 1.5, 2.5]; // heights of a number away from the outline

/**
 * The middle of each ellipse's number: beside its own ellipse, inside none, over no other number, in the picture.
 *
 * labels : [{ellipse, text}];  size : height of a number;  gap : between outline and number
 * region : {x, y, width, height} that is shown. All px of the frame.
 */
export function placeNumbers(labels, size, gap, region) {
  const placed = [];
  const middles = labels.map(({ ellipse, text }) => {
    const width = 0.62 * size * text.length;
    const half = Math.hypot(width, size) / 2;
    const faults = ([x, y]) => {
      const isOutside = x - width / 2 < region.x || x + width / 2 > region.x + region.width
        || y - size / 2 < region.y || y + size / 2 > region.y + region.height;
      const inside = labels.filter((other) => contains(other.ellipse, [x, y], gap + half)).length;
      const over = placed.filter((other) => (
        Math.abs(other.x - x) < (other.width + width) / 2 && Math.abs(other.y - y) < size
      )).length;
      return 8 * isOutside + 2 * inside + over;
    };
    let best = null;
    for (const distance of DISTANCES) {
      for (const angle of DIRECTIONS) {
        const away = reach(ellipse, angle) + gap + half + 0.15 * size + distance * size;
        const middle = [ellipse[0] + away * Math.cos(angle), ellipse[1] + away * Math.sin(angle)];
        const fault = faults(middle);
        if (best === null || fault < best.fault) best = { fault, middle };
      }
      if (best.fault === 0) break;
    }
    placed.push({ x: best.middle[0], y: best.middle[1], width });
    return best.middle;
  });
  return middles;
}
