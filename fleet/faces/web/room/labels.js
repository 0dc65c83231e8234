// Where labels go, so that none lies on another one, or on a mark. Pure: numbers in, numbers out.

const GAP = 16;
const CELL = 64;
const AWAY = [
  ["start", 1, 0],
  ["end", -1, 0],
  ["middle", 0, -1],
  ["middle", 0, 1],
  ["start", 0.8, -0.9],
  ["start", 0.8, 0.9],
  ["end", -0.8, -0.9],
  ["end", -0.8, 0.9],
];
const FARTHER = [1, 1.9, 2.9];

/**
 * A place for each label `{x, y, width, height, first, must}` beside its point, inside of the drawing and outside of the
 * boxes of `keepFree`. Those with a lower `first` choose first. One that `must` be shown may lie on marks where there is
 * no other place, though not on another label. One that finds none is not `shown`; `unnamed` counts these.
 */
export function placeLabels(labels, { width, height, keepFree = [] }) {
  const taken = new Boxes();
  const marks = new Boxes();
  for (const box of keepFree) taken.add(box);
  for (const { x, y } of labels) marks.add({ left: x - 12, right: x + 12, top: y - 12, bottom: y + 12 });
  const placed = new Array(labels.length);
  const order = labels.map((_, index) => index).sort((a, b) => labels[a].first - labels[b].first || a - b);
  let unnamed = 0;
  for (const index of order) {
    const label = labels[index];
    const places = placesOf(label).filter(
      ({ box }) => box.left >= 2 && box.right <= width - 2 && box.top >= 2 && box.bottom <= height - 2 && taken.free(box),
    );
    const found = places.find(({ box }) => marks.free(box)) ?? (label.must ? places[0] : undefined);
    if (found) taken.add(found.box);
    else unnamed += 1;
    placed[index] = { ...label, shown: Boolean(found), far: false, ...found };
  }
  return { placed, unnamed };
}

function* everyPlace(label) {
  for (const distance of FARTHER) {
    for (const [anchor, right, down] of AWAY) {
      const textX = label.x + right * GAP * distance;
      const left = { start: textX, middle: textX - label.width / 2, end: textX - label.width }[anchor];
      const middle = label.y + down * (GAP * distance + (anchor === "middle" ? label.height / 2 - 4 : 0));
      const top = middle - label.height / 2;
      const box = { left, right: left + label.width, top, bottom: top + label.height };
      yield { anchor, textX, top, box, far: distance > 1, toX: textX, toY: middle };
    }
  }
}

function placesOf(label) {
  return [...everyPlace(label)];
}

/** Boxes by the cells they lie in, so that hundreds of labels are placed at once. */
class Boxes {
  constructor() {
    this._cells = new Map();
  }

  add(box) {
    for (const cell of cellsOf(box)) {
      if (!this._cells.has(cell)) this._cells.set(cell, []);
      this._cells.get(cell).push(box);
    }
  }

  free(box) {
    for (const cell of cellsOf(box)) {
      for (const other of this._cells.get(cell) ?? []) {
        if (box.left < other.right && other.left < box.right && box.top < other.bottom && other.top < box.bottom) return false;
      }
    }
    return true;
  }
}

function* cellsOf(box) {
  for (let column = Math.floor(box.left / CELL); column <= Math.floor(box.right / CELL); column += 1) {
    for (let row = Math.floor(box.top / CELL); row <= Math.floor(box.bottom / CELL); row += 1) yield `${column} ${row}`;
  }
}
