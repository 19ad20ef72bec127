// The canvas: pointer and keys change the marks, every finished gesture is saved.
const EDITORS = new WeakMap(); // the module is shared by all instances: what belongs to one hangs on its element
const SHORT = { lost: "Not sent yet", conflict: "Not saved", refused: "Not saved" };
const STATES = new Set(["continuous", "open", "step", "stained", "unassessable"]);
const STEP = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
const TELL = {
  saved: "Saved", saving: "Saving …", lost: "The connection is lost. Your marks are kept in this browser and sent when it is back.",
  conflict: "These marks were changed in another window. Your last change is not saved.",
};

class Editor {
  constructor(mount) {
    this.marks = new Marks();
    this.view = new View();
    this.part = frame(this);
    this.shown = { loupe: true, ink: true };
    this.lights = { brightness: 100, contrast: 100 };
    this.pointers = new Map();
    this.pen = null;
    this.trail = null;
    this.doc = null;
    this.fitted = true;
    this.brush = new Brush(this);
    this.before = new Before(this);
    mount.replaceChildren(this.part.root);
    listen(this);
    this.sizes = new ResizeObserver(() => this.resize());
    this.sizes.observe(this.part.stage);
  }

  // Called again with every change of the page's data.
  update({ data, setTriggerValue }) {
    this.data = data;
    this.tools = data.tools;
    this.tell = setTriggerValue;
    this.part.ways.hidden = data.tools.some((tool) => tool.role === "fit_site");
    if (this.doc !== data.doc) { this.doc = data.doc; this.open(); }
    fillLegend(this);
    this.draw();
  }

  async open() {
    const data = this.data;
    this.saver?.stop();
    this.saver = new Saver(data.file, (state, detail) => this.say(state, detail));
    if (this.file !== data.file) { this.pictures = new Pictures(data, (trouble) => (trouble ? this.say("refused", trouble) : this.draw())); this.file = data.file; this.view.scale = 0; this.fitted = true; this.before.forget(); this.brush.kind = null; this.lookedAt = false; }
    fillBefore(this);
    try {
      this.marks.load(await this.saver.load());
      this.way = this.marks.shapes.find((s) => s.role !== "reference")?.props.seen_in || this.marks.shapes[0]?.props.seen_in || "direct";
      this.part.way.value = this.way;
      this.snapKind = this.part.snap.value;
      this.say(this.saver.state);
      this.askScale();
    } catch (error) { this.say("refused", error.message); }
    this.refresh();
  }

  resize() {
    const { stage, photo, over } = this.part, dpr = devicePixelRatio || 1;
    const { width, height } = stage.getBoundingClientRect();
    if (!width || !height) return;
    for (const canvas of [photo, over]) { canvas.width = Math.round(width * dpr); canvas.height = Math.round(height * dpr); }
    const before = [this.width, this.height];
    [this.width, this.height] = [width, height];
    if (!this.data) return;
    if (this.fitted || !this.view.scale) this.fit();
    else { this.view.pan((width - before[0]) / 2, (height - before[1]) / 2); this.draw(); } // what was in the middle stays there
  }

  draw() {
    if (this.frameAsked) return;
    this.frameAsked = true;
    requestAnimationFrame(() => { this.frameAsked = false; this.paint(); });
  }

  paint() {
    if (!this.width || !this.pictures) return;
    if (!this.view.scale) this.view.fit(this.data.width, this.data.height, this.width, this.height);
    const dpr = devicePixelRatio || 1, { view, part } = this;
    const photo = part.photo.getContext("2d"), over = part.over.getContext("2d");
    photo.setTransform(1, 0, 0, 1, 0, 0);
    photo.clearRect(0, 0, part.photo.width, part.photo.height);
    const s = view.scale * dpr;
    photo.setTransform(s, 0, 0, s, -view.x * s, -view.y * s);
    this.pictures.paint(photo, s < 4, false);
    this.before.paint(photo, this.data.width, this.data.height, view.toImage([this.width * this.before.share, 0])[0]);
    over.setTransform(dpr, 0, 0, dpr, 0, 0);
    over.clearRect(0, 0, this.width, this.height);
    if (this.shown.ink) this.ink(over, view);
    this.brush.paint(over, view);
    this.before.paintWords(over, this.width);
    if (this.pen && (this.marks.drawing || this.brush.kind)) paintPen(over, view, this.pen);
    paintScaleBar(over, view, this.scale, this.height);
    this.lens();
    Object.assign(part.root.dataset, { view: [view.scale, view.x, view.y].join(" "), points: this.marks.shapes.flatMap((one) => one.parts).flat().length });
    this.pictures.ask(view, this.width, this.height);
    this.noteLooking();
  }

  // Once the margin, or else any mark on the tooth, has been in view enlarged, the server is told.
  noteLooking() {
    const { view, marks, data } = this, whole = Math.min(this.width / data.width, this.height / data.height);
    if (this.lookedAt || (view.scale < 2.2 * whole && view.scale < 1)) return;
    const of = (role) => marks.shapes.filter((s) => (role ? s.role === role : s.role !== "reference")).flatMap((s) => s.parts.flat());
    const points = of("margin").length ? of("margin") : of("");
    const seen = points.some((p) => { const [x, y] = view.toScreen(p); return x > 0 && y > 0 && x < this.width && y < this.height; });
    if (!seen) return;
    this.lookedAt = true;
    fetch("/desk/looked?file=" + encodeURIComponent(this.file), { method: "PUT" }).catch(() => { this.lookedAt = false; });
  }

  get found() { return this.data.found_revision === this.saver?.revision ? this.data.found : []; }

  ink(context, view) {
    const { marks, data, found } = this;
    const told = found.some((line) => STATES.has(line.pen)) ? "margin" : ""; // its states are drawn in its place
    for (const shape of marks.shapes) if (shape.role !== told || shape.id === marks.chosen) paintShape(context, view, shape, data.pens, marks);
    paintFound(context, view, found, data.pens);
    if (this.trail) paintPath(context, view, this.trail);
  }

  lens() {
    const { lens } = this.part, held = this.marks.vertex && this.marks.current?.parts[this.marks.vertex.part]?.[this.marks.vertex.index];
    const p = this.dragging === "vertex" ? held : this.pen || held;
    const on = this.shown.loupe && p && (this.marks.drawing || held);
    lens.hidden = !on;
    if (!on) return;
    const side = 168, dpr = devicePixelRatio || 1, magnify = Math.max(4, this.view.scale * 3);
    if (lens.width !== Math.round(side * dpr)) lens.width = lens.height = Math.round(side * dpr);
    const [x] = this.view.toScreen(p);
    lens.style.left = x > this.width / 2 ? "12px" : "auto";
    lens.style.right = x > this.width / 2 ? "auto" : "12px";
    const context = lens.getContext("2d");
    context.setTransform(dpr, 0, 0, dpr, 0, 0);
    this.pictures.askFine(p, side / 2 / magnify);
    paintLoupe(context, this.pictures, p, side, magnify, (view) => this.ink(context, view));
  }

  // After every finished gesture.
  changed() {
    this.saver.save(this.marks.text());
    this.refresh();
  }

  refresh() {
    fillTools(this);
    fillFields(this);
    const { part, marks } = this;
    part.undo.disabled = !marks.past.length;
    part.redo.disabled = !marks.future.length;
    part.root.dataset.drawing = marks.drawing?.role || "";
    this.trail = null;
    fillLegend(this);
    this.where();
    this.draw();
  }

  say(state, detail) {
    const { part } = this;
    part.root.dataset.state = state;
    part.root.dataset.revision = this.saver?.revision ?? "";
    part.said.textContent = state === "saved" ? `Saved · ${this.saver.revision || "from the file beside the photo"}` : SHORT[state] || TELL[state] || "";
    const grave = state === "conflict" || state === "lost" || state === "refused";
    part.notice.hidden = !grave;
    if (grave) {
      const act = (words, on) => h("button", { type: "button", onclick: on }, words);
      part.notice.replaceChildren(h("span", {}, detail || TELL[state]), ...(state === "conflict"
        ? [act("Take the other window's marks", () => { this.saver.forget(); this.open(); }), act("Keep mine", () => this.saver.keepMine())]
        : state === "refused" ? [act("Close", () => { part.notice.hidden = true; })] : []));
    }
    if (state === "saved") { this.askScale(); this.draw(); }
  }

  // The scale is asked for when the reference has changed.
  async askScale() {
    const now = JSON.stringify([this.marks.shapes.filter((s) => s.role === "reference" && s.id !== this.marks.open), this.way, this.file]);
    if (now === this.scaleOf) return;
    this.scaleOf = now;
    const words = this.part.scale;
    try {
      const got = await (await fetch("/desk/scale?file=" + encodeURIComponent(this.file), { cache: "no-store" })).json();
      if (this.scaleOf !== now) return;
      this.scale = got.along ? got : null;
      words.textContent = got.along ? `Scale from a ${got.kind.replaceAll("_", " ")}: ${(got.along * 1000).toPrecision(4)} µm a pixel, u ${(got.u_relative * 100).toFixed(1)} %`
        : got.refused ? `No scale: ${got.refused} ${got.hint}` : "No scale: mark the reference.";
      words.dataset.found = got.along ? "yes" : "no";
    } catch { this.scaleOf = null; }
    this.where();
    this.draw();
  }

  lengthMm(part) {
    const turn = ((this.scale.direction_deg || 0) * Math.PI) / 180;
    let sum = 0;
    for (let i = 1; i < part.length; i++) {
      const dx = part[i][0] - part[i - 1][0], dy = part[i][1] - part[i - 1][1], angle = Math.atan2(dy, dx) - turn;
      sum += Math.hypot(dx, dy) * Math.hypot(Math.cos(angle) * this.scale.along, Math.sin(angle) * this.scale.across);
    }
    return sum;
  }

  where() {
    const shape = this.marks.current, part = shape?.parts[0], said = [];
    if (this.pen) said.push(`x ${this.pen[0].toFixed(1)}  y ${this.pen[1].toFixed(1)}`);
    if (shape && part?.length > 1 && !shape.closed) {
      const px = part.slice(1).reduce((sum, p, i) => sum + Math.hypot(p[0] - part[i][0], p[1] - part[i][1]), 0);
      said.push(this.scale ? `${this.lengthMm(part).toFixed(2)} mm long on the photo` : `${px.toFixed(0)} px long`);
      this.part.root.dataset.length = px;
    }
    const last = this.marks.drawing?.parts.at(-1)?.at(-1);
    if (last && this.pen && this.scale) said.push(`${this.lengthMm([last, this.pen]).toFixed(2)} mm to the pointer`);
    this.part.where.textContent = said.join("   ");
  }

  // ---- tools
  take(tool) {
    if (this.marks.drawing?.role === tool.role) return this.focus();
    const ended = this.marks.drawing;
    if (ended) this.marks.finish();
    const own = this.marks.shapes.filter((s) => s.role === tool.role);
    if (own.length) { this.marks.chosen = own[own.length - 1].id; this.marks.vertex = null; ended ? this.changed() : this.refresh(); }
    else this.begin(tool);
    this.focus();
  }
  begin(tool) {
    this.brush.kind = null;
    this.brush.oneClick = false;
    if (this.marks.drawing) this.marks.finish();
    this.marks.begin(tool, { ...tool.starts, seen_in: this.way });
    this.changed();
    this.focus();
  }
  resume(shape) { this.marks.remember(); this.marks.open = shape.id; this.changed(); this.focus(); }
  addPart(shape) { this.marks.remember(); shape.parts.push([]); this.marks.open = shape.id; this.changed(); this.focus(); }
  leaveToTool() {
    const shape = this.marks.drawing;
    this.marks.remember();
    Object.assign(shape, { found: true, parts: [], closed: false });
    this.marks.open = null;
    this.changed();
  }
  finish() { this.marks.remember(); this.marks.finish(); this.changed(); this.focus(); }
  focus() { this.part.over.focus({ preventScroll: true }); }

  setSnap(kind) { this.snapKind = kind; this.trail = null; this.focus(); }
  setWay(way) {
    this.marks.remember();
    this.way = way;
    for (const shape of this.marks.shapes) shape.props.seen_in = way;
    this.changed();
  }
  toggle(name) {
    this.shown[name] = !this.shown[name];
    this.part[name].setAttribute("aria-pressed", String(this.shown[name]));
    this.draw();
  }
  light(name, value) {
    this.lights[name] = value;
    this.part.photo.style.filter = this.part.lens.style.filter = `brightness(${this.lights.brightness}%) contrast(${this.lights.contrast}%)`;
  }
  undo() { if (this.marks.undo()) this.changed(); }
  redo() { if (this.marks.redo()) this.changed(); }

  // ---- view
  fit() { this.fitted = true; this.view.fit(this.data.width, this.data.height, this.width, this.height); this.draw(); }
  zoomBy(by, at) {
    this.fitted = false;
    const whole = Math.min(this.width / this.data.width, this.height / this.data.height);
    this.view.zoom(by, at || [this.width / 2, this.height / 2], whole * 0.5, 24);
    this.draw();
  }
  zoomTo(scale) { this.zoomBy(scale / this.view.scale); }

  // ---- points
  inside([x, y]) { return [Math.max(-0.5, Math.min(this.data.width - 0.5, x)), Math.max(-0.5, Math.min(this.data.height - 0.5, y))]; }

  setPoint(p, straight) {
    const { marks } = this, shape = marks.drawing, tool = this.tools.find((one) => one.role === shape.role);
    const point = this.inside(p), part = shape.parts[shape.parts.length - 1];
    if (shape.closed && part.length > 2 && Math.hypot(...[0, 1].map((k) => part[0][k] - point[k])) * this.view.scale < 9) return this.finish();
    const into = marks.add(point), before = into[into.length - 2];
    if (tool.point || (tool.ends && into.length === tool.ends)) marks.finish();
    else if (before && this.snapKind && !straight && tool.snaps) this.snap(into, before, point);
    this.changed();
  }

  async snap(part, before, point) {
    const kind = this.snapKind, shape = this.marks.current;
    const path = await this.path(before, point, kind);
    if (!path || !this.marks.lay(part, before, point, path)) return;
    shape.props.snapped = kind;
    this.changed();
  }

  // What the server answers; where it refuses that is said over the photo, and nothing is returned.
  async post(address, body) {
    const { root } = this.part;
    root.dataset.asking = "yes";
    try {
      const answer = await fetch(address + "?file=" + encodeURIComponent(this.file), {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body),
      });
      const got = await answer.json();
      if (answer.ok) return got;
      this.say("refused", [got.message, got.hint].join(" "));
    } catch { this.say("refused", "The server did not answer. Try again when the connection is back."); }
    finally { root.dataset.asking = ""; }
    return null;
  }

  async path(start, end, kind) {
    try {
      const answer = await fetch("/desk/snap?file=" + encodeURIComponent(this.file), {
        method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ start, end, kind }),
      });
      return answer.ok ? (await answer.json()).path : null;
    } catch { return null; }
  }

  // Where the next stretch would run; one question at a time.
  async preview(straight) {
    const part = this.marks.drawing?.parts.at(-1), last = part?.at(-1), pen = this.pen;
    const tool = this.marks.drawing && this.tools.find((one) => one.role === this.marks.drawing.role);
    if (!last || !pen || tool.point) { this.trail = null; return; }
    if (!this.snapKind || straight || !tool.snaps) { this.trail = [last, pen]; return; }
    if (this.asking) return;
    this.asking = true;
    const path = await this.path(last, this.inside(pen), this.snapKind);
    this.asking = false;
    if (part.at(-1) === last && this.marks.drawing) this.trail = path || [last, pen];
    this.draw();
    if (this.pen && pen !== this.pen) this.preview(straight);
  }

  destroy() { this.saver?.stop(); this.before.stop(); this.sizes.disconnect(); }
}

export default function (component) {
  const mount = component.parentElement.querySelector(".marking");
  let editor = EDITORS.get(mount);
  if (!editor) { editor = new Editor(mount); EDITORS.set(mount, editor); }
  editor.update(component);
  return () => { editor.destroy(); EDITORS.delete(mount); };
}
