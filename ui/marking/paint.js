// Drawing of marks over the photo. Kinds are told apart by dash and doubling as well as by colour.
const EDGE = "rgba(12,14,16,.62)";
const css = (rgb) => `rgb(${rgb.join(",")})`;

function trace(context, view, part, closed) {
  context.beginPath();
  part.forEach((p, i) => { const [x, y] = view.toScreen(p); i ? context.lineTo(x, y) : context.moveTo(x, y); });
  if (closed) context.closePath();
}

function stroke(context, pen, strong) {
  const width = Math.max(1.4, pen.width * 0.75) + (strong ? 0.8 : 0);
  context.setLineDash([]);
  context.lineJoin = context.lineCap = "round";
  context.strokeStyle = EDGE;
  context.lineWidth = width + 2.2 + (pen.double ? 2.5 : 0);
  context.stroke();
  context.lineCap = "butt";
  context.setLineDash(pen.dash.map((d) => d * 0.7));
  context.strokeStyle = css(pen.colour);
  context.lineWidth = pen.double ? width + 2.5 : width;
  context.stroke();
  if (pen.double) {
    context.strokeStyle = "rgb(20,22,24)";
    context.lineWidth = width - 0.6;
    context.stroke();
  }
  context.setLineDash([]);
}

function paintShape(context, view, shape, pens, state) {
  const pen = pens[shape.role] || pens.landmark;
  const drawing = state.open === shape.id, chosen = state.chosen === shape.id;
  if (shape.role === "alveolar_crest" || shape.role === "restoration_margin") {
    for (const [p] of shape.parts) if (p) paintCross(context, view.toScreen(p), pen, shape.role === "alveolar_crest", chosen);
    return;
  }
  for (const part of shape.parts) {
    trace(context, view, part, shape.closed && !drawing);
    stroke(context, pen, chosen);
  }
  if (chosen || drawing) paintHandles(context, view, shape, pen, state.vertex);
}

function paintHandles(context, view, shape, pen, vertex) {
  const count = shape.parts.reduce((n, part) => n + part.length, 0);
  shape.parts.forEach((part, k) => part.forEach((p, index) => {
    const [x, y] = view.toScreen(p);
    const held = vertex && vertex.part === k && vertex.index === index;
    const end = index === 0 || index === part.length - 1;
    if (count > 40 && view.scale < 1.5 && !held && !end) return;
    const r = held ? 5 : 3.2;
    context.fillStyle = held ? "#fff" : css(pen.colour);
    context.strokeStyle = "rgb(20,22,24)";
    context.lineWidth = 1.2;
    context.beginPath();
    if (held) context.rect(x - r, y - r, 2 * r, 2 * r);
    else context.arc(x, y, r, 0, 7);
    context.fill();
    context.stroke();
  }));
}

function paintCross(context, [x, y], pen, upright, chosen) {
  const r = 9;
  context.beginPath();
  for (const [dx, dy] of upright ? [[r, 0], [0, r]] : [[r * 0.7, r * 0.7], [r * 0.7, -r * 0.7]]) {
    context.moveTo(x - dx, y - dy);
    context.lineTo(x + dx, y + dy);
  }
  stroke(context, pen, chosen);
}

function paintFound(context, view, found, pens) {
  for (const line of found) {
    trace(context, view, line.xy, line.closed);
    stroke(context, pens[line.pen], false);
  }
}

function paintPath(context, view, path) {
  trace(context, view, path, false);
  stroke(context, { width: 2, dash: [4, 5], double: false, colour: [255, 255, 255] }, false);
}

function paintPen(context, view, p) {
  const [x, y] = view.toScreen(p);
  context.strokeStyle = EDGE;
  context.lineWidth = 3;
  for (const _ of [0, 1]) {
    context.beginPath();
    for (const [a, b] of [[5, 16], [-5, -16]]) {
      context.moveTo(x + a, y); context.lineTo(x + b, y);
      context.moveTo(x, y + a); context.lineTo(x, y + b);
    }
    context.stroke();
    context.strokeStyle = "#fff";
    context.lineWidth = 1.2;
  }
}

function paintScaleBar(context, view, scale, height) {
  context.font = "13px system-ui, sans-serif";
  context.textBaseline = "bottom";
  const y = height - 16;
  const words = (text, x) => { context.lineWidth = 3; context.strokeStyle = EDGE; context.strokeText(text, x, y - 7); context.fillStyle = "#fff"; context.fillText(text, x, y - 7); };
  if (!scale || !scale.along) { words("no scale", 16); return; }
  const perMm = view.scale / Math.sqrt(scale.along * scale.across);
  const mm = [10, 5, 2, 1, 0.5, 0.2, 0.1, 0.05].find((length) => length * perMm <= 170) || 0.02;
  context.beginPath();
  for (const [x, a, b] of [[16, -5, 5], [16 + mm * perMm, -5, 5]]) { context.moveTo(x, y + a); context.lineTo(x, y + b); }
  context.moveTo(16, y);
  context.lineTo(16 + mm * perMm, y);
  stroke(context, { width: 2, dash: [], double: false, colour: [255, 255, 255] }, false);
  words(`${mm} mm`, 16);
}

function paintLoupe(context, pictures, p, side, magnify, ink) {
  context.save();
  context.fillStyle = "#15181b";
  context.fillRect(0, 0, side, side);
  context.translate(side / 2, side / 2);
  context.scale(magnify, magnify);
  context.translate(-p[0], -p[1]);
  pictures.paint(context, magnify < 6, true);
  context.restore();
  const view = { toScreen: (q) => [(q[0] - p[0]) * magnify + side / 2, (q[1] - p[1]) * magnify + side / 2], scale: magnify };
  ink(view);
  context.strokeStyle = "rgba(255,255,255,.85)";
  context.lineWidth = 1;
  context.strokeRect(side / 2 - 6, side / 2 - 6, 12, 12);
}
