// Strokes that say "this is metal" or "this is not", and one click that outlines a tooth: the tool proposes, the reader corrects.
const BRUSH_PX = 7; // half the width of the pen on the screen
const BRUSHES = { metal: { words: "this is metal", colour: [120, 235, 160], dash: [] }, not: { words: "this is not metal", colour: [255, 150, 120], dash: [3, 4] } };

class Brush {
  constructor(editor) {
    this.editor = editor;
    this.kind = null; // "metal" | "not": what the next stroke says
    this.now = null; // the stroke that is being drawn
    this.oneClick = false;
  }

  set(kind) {
    this.kind = this.kind === kind ? null : kind;
    if (this.kind && this.editor.marks.drawing) { this.editor.marks.finish(); this.editor.changed(); }
    this.editor.refresh();
    this.editor.focus();
  }

  start(p) { this.now = { metal: this.kind === "metal", radius: Math.round((BRUSH_PX / this.editor.view.scale) * 100) / 100, xy: [p] }; }

  go(p) {
    const last = this.now.xy.at(-1);
    if (Math.hypot(p[0] - last[0], p[1] - last[1]) * this.editor.view.scale > 3) this.now.xy.push(p.map((v) => Math.round(v * 10) / 10));
  }

  // The finished stroke is added to those of the metal, and the region solved again with all of them.
  async end() {
    const { editor } = this, { marks } = editor, stroke = this.now;
    const face = marks.shapes.find((s) => s.role === "facial_surface" && s.parts[0]?.length > 2);
    if (!face || !stroke) { this.now = null; return; }
    const before = marks.shapes.filter((s) => s.role === "metal"), strokes = [...(before[0]?.props.strokes || []), stroke];
    const got = await editor.post("/desk/metal", { outline: face.parts, strokes });
    this.now = null;
    if (!got) { editor.draw(); return; }
    if (!got.pieces.length) { editor.say("refused", "With this stroke no metal is left. Draw what is metal, or remove the mark."); editor.draw(); return; }
    marks.remember();
    const props = { source: "reader", seen_in: face.props.seen_in || editor.way };
    const made = got.pieces.map((parts, k) => ({ id: marks.freshId() + k, role: "metal", closed: true, found: false, parts, props: { ...props, ...(k ? {} : { strokes }) } }));
    marks.shapes = [...marks.shapes.filter((s) => s.role !== "metal"), ...made];
    marks.chosen = made[0].id;
    marks.vertex = null;
    editor.changed();
  }

  // One click on the enamel outlines the tooth; another one adds the part under it.
  async outline(p) {
    const { editor } = this, { marks } = editor, shape = marks.drawing || marks.current;
    this.oneClick = false;
    if (!shape) return;
    const so_far = shape.parts[0]?.length > 2 ? shape.parts[0] : null;
    const got = await editor.post("/desk/outline", { point: editor.inside(p), ring: so_far });
    if (!got || !marks.shapes.includes(shape)) { editor.refresh(); return; }
    marks.remember();
    shape.parts = [got.ring, ...shape.parts.slice(1)];
    shape.props.proposed = "one_click";
    marks.finish();
    editor.changed();
  }

  paint(context, view) {
    const strokes = [...(this.editor.marks.shapes.find((s) => s.role === "metal")?.props.strokes || [])];
    if (!this.kind && !this.now) return;
    for (const stroke of [...strokes, ...(this.now ? [this.now] : [])]) {
      const pen = BRUSHES[stroke.metal ? "metal" : "not"];
      trace(context, view, stroke.xy.length > 1 ? stroke.xy : [stroke.xy[0], stroke.xy[0]], false);
      context.lineCap = "round";
      context.lineWidth = Math.max(3, 2 * stroke.radius * view.scale);
      context.strokeStyle = `rgba(${pen.colour.join(",")},.38)`;
      context.stroke();
      stroke_line(context, pen);
    }
  }
}

function stroke_line(context, pen) { stroke(context, { width: 2, dash: pen.dash, double: false, colour: pen.colour }, false); }

// Buttons among the properties of the metal.
function brushes(editor) {
  const face = editor.marks.shapes.some((s) => s.role === "facial_surface" && s.parts[0]?.length > 2);
  return ["metal", "not"].map((kind) => h("button", {
    type: "button", disabled: !face, "data-brush": kind, "aria-pressed": String(editor.brush.kind === kind), onclick: () => editor.brush.set(kind),
    title: face ? "Draw over the photo; the outline is solved again" : "Outline the facial surface first",
  }, `Stroke: ${BRUSHES[kind].words}`));
}

// Starts a click that outlines, for a shape that has nothing yet or only what was proposed.
function oneClick(editor, words) {
  const on = editor.brush.oneClick;
  return h("button", {
    type: "button", class: "main", "aria-pressed": String(on), onclick: () => { editor.brush.oneClick = !on; editor.refresh(); editor.focus(); },
  }, on ? "Now click on it" : words);
}
