// What is marked: shapes in full-resolution pixels, which one is open or chosen, and the way back.
const PAST = 200;

class Marks {
  constructor() {
    this.shapes = [];
    this.open = null; // id of the shape that is being drawn
    this.chosen = null; // id
    this.vertex = null; // {part, index} of the chosen shape
    this.past = [];
    this.future = [];
  }

  load(body) {
    this.shapes = body.shapes || [];
    this.open = this.shapes.some((s) => s.id === body.open) ? body.open : null;
    this.chosen = this.open;
    this.vertex = null;
    this.past = [];
    this.future = [];
  }

  text() { return JSON.stringify({ shapes: this.shapes, open: this.open }); }
  byId(id) { return this.shapes.find((s) => s.id === id) || null; }
  get current() { return this.byId(this.chosen); }
  get drawing() { return this.byId(this.open); }

  // Call before every change: what was is kept.
  remember() {
    this.past.push(this.text());
    if (this.past.length > PAST) this.past.shift();
    this.future = [];
  }

  travel(from, to) {
    if (!from.length) return false;
    to.push(this.text());
    const { shapes, open } = JSON.parse(from.pop());
    this.shapes = shapes;
    this.open = open;
    if (!this.byId(this.chosen)) this.chosen = open;
    this.vertex = null;
    return true;
  }
  undo() { return this.travel(this.past, this.future); }
  redo() { return this.travel(this.future, this.past); }

  begin(tool, props) {
    this.remember();
    const id = this.freshId();
    this.shapes.push({ id, role: tool.role, closed: tool.closed, found: false, parts: [[]], props });
    this.open = this.chosen = id;
    this.vertex = null;
  }

  freshId() { return "n" + Date.now().toString(36) + Math.floor(Math.random() * 1296).toString(36); }

  add(point) {
    this.remember();
    const part = this.drawing.parts[this.drawing.parts.length - 1];
    part.push(point);
    this.vertex = null;
    return part;
  }

  // Put a path between two points that still follow one another; false where they no longer do.
  lay(part, before, point, path) {
    const at = part.indexOf(point);
    if (at < 1 || part[at - 1] !== before) return false;
    part.splice(at, 0, ...path.slice(1, -1));
    return true;
  }

  finish() {
    const shape = this.drawing;
    if (!shape) return;
    const part = shape.parts[shape.parts.length - 1];
    if (!part.length && shape.parts.length > 1) shape.parts.pop();
    else if (!part.length) this.shapes = this.shapes.filter((s) => s !== shape);
    this.open = null;
  }

  // A hand was on the chosen shape: what was proposed is now the reader's.
  corrected() { const p = this.current?.props; if (p && (p.carried_from || p.proposed)) p.corrected = true; }

  removeVertex() {
    const shape = this.current;
    if (!shape || !this.vertex) return false;
    this.remember();
    this.corrected();
    const part = shape.parts[this.vertex.part];
    part.splice(this.vertex.index, 1);
    if (!part.length) shape.parts.splice(this.vertex.part, 1);
    if (!shape.parts.length) this.removeShape(shape.id, true);
    this.vertex = null;
    return true;
  }

  removeShape(id, remembered) {
    if (!remembered) this.remember();
    this.shapes = this.shapes.filter((s) => s.id !== id);
    if (this.open === id) this.open = null;
    if (this.chosen === id) this.chosen = this.vertex = null;
  }

  step(by) {
    const shape = this.current;
    if (!shape || shape.found) return;
    const all = shape.parts.flatMap((part, p) => part.map((_, index) => ({ part: p, index })));
    if (!all.length) return;
    const v = this.vertex;
    const at = v ? all.findIndex((one) => one.part === v.part && one.index === v.index) : by > 0 ? -1 : 0;
    this.vertex = all[(at + by + all.length) % all.length];
  }
}

// Squared distance of p to the stretch from a to b, and the foot of the perpendicular.
function toStretch(p, a, b) {
  const dx = b[0] - a[0], dy = b[1] - a[1], len = dx * dx + dy * dy;
  const t = len ? Math.max(0, Math.min(1, ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / len)) : 0;
  const x = a[0] + t * dx, y = a[1] + t * dy;
  return { d2: (p[0] - x) ** 2 + (p[1] - y) ** 2, foot: [x, y] };
}

function nearestVertex(shape, p, reach) {
  let best = null, least = reach * reach;
  shape.parts.forEach((part, k) => part.forEach((q, index) => {
    const d2 = (q[0] - p[0]) ** 2 + (q[1] - p[1]) ** 2;
    if (d2 <= least) { least = d2; best = { part: k, index }; }
  }));
  return best;
}

function nearestStretch(shape, p, reach) {
  let best = null, least = reach * reach;
  shape.parts.forEach((part, k) => {
    const n = part.length, last = shape.closed && n > 2 ? n : n - 1;
    for (let i = 0; i < last; i++) {
      const { d2, foot } = toStretch(p, part[i], part[(i + 1) % n]);
      if (d2 <= least) { least = d2; best = { part: k, index: i + 1, foot }; }
    }
  });
  return best;
}
