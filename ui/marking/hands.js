// Pointer, wheel and keys of one editor.
const HOLD = 4; // screen pixels between a click and a drag

function listen(editor) {
  const canvas = editor.part.over;
  const at = (e) => { const box = canvas.getBoundingClientRect(); return [e.clientX - box.left, e.clientY - box.top]; };
  canvas.addEventListener("pointerdown", (e) => down(editor, e, at(e)));
  canvas.addEventListener("pointermove", (e) => move(editor, e, at(e)));
  for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, (e) => up(editor, e, at(e)));
  canvas.addEventListener("pointerleave", () => { if (!editor.pointers.size) { editor.pen = null; editor.trail = null; editor.where(); editor.draw(); } });
  canvas.addEventListener("dblclick", (e) => { e.preventDefault(); ended(editor); });
  canvas.addEventListener("contextmenu", (e) => e.preventDefault());
  canvas.addEventListener("wheel", (e) => {
    e.preventDefault();
    editor.zoomBy(Math.exp(-e.deltaY * (e.ctrlKey ? 0.01 : 0.0016)), at(e));
  }, { passive: false });
  canvas.addEventListener("keydown", (e) => { if (keyed(editor, e)) { e.preventDefault(); e.stopPropagation(); } });
}

const reachOf = (e) => (e.pointerType === "touch" ? 24 : 10);

function down(editor, e, p) {
  const { part, marks, view, pointers } = editor;
  part.over.focus({ preventScroll: true });
  part.over.setPointerCapture(e.pointerId);
  pointers.set(e.pointerId, p);
  if (pointers.size > 1) { editor.dragging = "pinch"; editor.brush.now = null; return; }
  editor.start = p;
  editor.dragging = null;
  editor.hit = null;
  if (editor.brush.kind && e.button === 0) { editor.dragging = "brush"; editor.brush.start(view.toImage(p)); editor.draw(); return; }
  if (e.button !== 0 || !editor.shown.ink || !marks.current || marks.current.found) return;
  editor.hit = nearestVertex(marks.current, view.toImage(p), reachOf(e) / view.scale);
  const shape = marks.drawing, last = shape?.parts.at(-1);
  if (editor.hit && shape?.closed && last?.length > 2 && editor.hit.index === 0) editor.hit = null; // a click on the first point closes the outline
}

function move(editor, e, p) {
  const { pointers, view, marks } = editor, before = pointers.get(e.pointerId);
  editor.pen = view.toImage(p);
  if (before && editor.dragging === "pinch") pinch(editor, e.pointerId, p);
  else if (before) {
    const far = Math.hypot(p[0] - editor.start[0], p[1] - editor.start[1]) > HOLD;
    if (!editor.dragging && far) {
      editor.dragging = editor.hit ? "vertex" : "pan";
      if (editor.hit) { marks.remember(); marks.vertex = editor.hit; }
    }
    if (editor.dragging === "brush") editor.brush.go(editor.pen);
    if (editor.dragging === "pan") { editor.fitted = false; view.pan(p[0] - before[0], p[1] - before[1]); }
    if (editor.dragging === "vertex") marks.current.parts[marks.vertex.part].splice(marks.vertex.index, 1, editor.inside(view.toImage(p)));
    pointers.set(e.pointerId, p);
  } else if (marks.drawing) editor.preview(e.altKey);
  editor.where();
  editor.draw();
}

function pinch(editor, id, p) {
  const [a, b] = [...editor.pointers.keys()], spread = () => {
    const [q, r] = [editor.pointers.get(a), editor.pointers.get(b)];
    return { gap: Math.hypot(q[0] - r[0], q[1] - r[1]) || 1, mid: [(q[0] + r[0]) / 2, (q[1] + r[1]) / 2] };
  };
  const before = spread();
  editor.pointers.set(id, p);
  const now = spread();
  editor.view.pan(now.mid[0] - before.mid[0], now.mid[1] - before.mid[1]);
  editor.zoomBy(now.gap / before.gap, now.mid);
}

function up(editor, e, p) {
  const was = editor.dragging, { marks, view } = editor;
  const clicked = editor.pointers.delete(e.pointerId) && !was && e.type === "pointerup" && e.button === 0;
  if (editor.pointers.size) return;
  editor.dragging = null;
  if (was === "brush") { editor.brush.end(); return; }
  if (was === "vertex") { marks.corrected(); editor.changed(); }
  if (!clicked) return;
  const at = view.toImage(p), reach = reachOf(e) / view.scale;
  if (editor.brush.oneClick) editor.brush.outline(at);
  else if (marks.drawing && e.detail < 3) {
    if (!(editor.lastClick && e.timeStamp - editor.lastClick < 350 && Math.hypot(p[0] - editor.lastAt[0], p[1] - editor.lastAt[1]) < 6)) editor.setPoint(at, e.altKey);
    editor.lastClick = e.timeStamp;
    editor.lastAt = p;
  } else choose(editor, at, reach);
}

// A click without a tool: hold a point, else put one on the chosen line, else choose the nearest mark.
function choose(editor, at, reach) {
  const { marks } = editor, shape = marks.current;
  if (editor.hit) marks.vertex = editor.hit;
  else {
    const own = shape && !shape.found && nearestStretch(shape, at, reach * 0.7);
    if (own) {
      marks.remember();
      marks.corrected();
      shape.parts[own.part].splice(own.index, 0, own.foot);
      marks.vertex = { part: own.part, index: own.index };
      editor.changed();
      return;
    }
    const found = [...marks.shapes].reverse().find((one) => nearestVertex(one, at, reach) || nearestStretch(one, at, reach));
    marks.chosen = found ? found.id : null;
    marks.vertex = null;
  }
  editor.refresh();
}

// A double click ends the line; its second click set no point.
function ended(editor) {
  if (editor.marks.drawing) editor.finish();
}

function keyed(editor, e) {
  const { marks } = editor, control = e.ctrlKey || e.metaKey;
  if (control && e.key.toLowerCase() === "z") { e.shiftKey ? editor.redo() : editor.undo(); return true; }
  if (control && e.key.toLowerCase() === "y") { editor.redo(); return true; }
  if (control) return false;
  if (STEP[e.key]) return nudge(editor, STEP[e.key], e);
  switch (e.key) {
    case "Enter": if (marks.drawing) editor.finish(); return true;
    case "Escape": if (editor.brush.kind) editor.brush.set(null); else if (marks.drawing) editor.finish(); else { marks.chosen = marks.vertex = null; editor.refresh(); } return true;
    case " ": if (marks.drawing && editor.pen) editor.setPoint([...editor.pen], e.altKey); return true;
    case "Delete": case "Backspace":
      if (marks.vertex ? marks.removeVertex() : marks.drawing ? takeLast(editor) : marks.current && (marks.removeShape(marks.chosen), true)) editor.changed();
      return true;
    case ",": case ".": marks.step(e.key === "." ? 1 : -1); editor.draw(); return true;
    case "+": case "=": editor.zoomBy(1.25, editor.pen && editor.view.toScreen(editor.pen)); return true;
    case "-": editor.zoomBy(0.8, editor.pen && editor.view.toScreen(editor.pen)); return true;
    case "0": editor.fit(); return true;
    default: return false;
  }
}

function takeLast(editor) {
  const part = editor.marks.drawing.parts.at(-1);
  if (!part.length) return false;
  editor.marks.remember();
  part.pop();
  return true;
}

// Arrows move the held point by a photo pixel (shift: ten, alt: a tenth), else the pen by a few screen pixels.
function nudge(editor, [dx, dy], e) {
  const { marks, view } = editor, v = marks.vertex, part = v && marks.current?.parts[v.part];
  if (part?.[v.index]) {
    const by = e.shiftKey ? 10 : e.altKey ? 0.1 : 1;
    if (!e.repeat) marks.remember();
    const [x, y] = part[v.index];
    marks.corrected();
    part.splice(v.index, 1, editor.inside([x + dx * by, y + dy * by]));
    clearTimeout(editor.nudged);
    editor.nudged = setTimeout(() => editor.changed(), 120);
    editor.draw();
    return true;
  }
  const by = (e.shiftKey ? 40 : e.altKey ? 1 : 8) / view.scale;
  const from = editor.pen || view.toImage([editor.width / 2, editor.height / 2]);
  editor.pen = editor.inside([from[0] + dx * by, from[1] + dy * by]);
  const [x, y] = view.toScreen(editor.pen);
  view.pan(Math.min(0, editor.width - 30 - x) + Math.max(0, 30 - x), Math.min(0, editor.height - 30 - y) + Math.max(0, 30 - y));
  editor.preview(e.altKey);
  editor.where();
  editor.draw();
  return true;
}
