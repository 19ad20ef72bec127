// The tooth at baseline, laid over this photo: wiped across it or shown in turns with it. For looking only.
const FLICKER_MS = 700;

class Before {
  constructor(editor) {
    this.editor = editor;
    this.image = null;
    this.mode = null; // "wipe" | "flicker"
    this.share = 0.5;
    this.turn = false;
  }

  forget() { this.stop(); this.image = null; this.mode = null; }
  stop() { clearInterval(this.timer); }

  async set(mode) {
    const { editor } = this;
    this.stop();
    this.mode = this.mode === mode ? null : mode;
    if (this.mode && !this.image) await this.load();
    if (this.mode === "flicker") this.timer = setInterval(() => { this.turn = !this.turn; editor.draw(); }, FLICKER_MS);
    fillBefore(editor);
    editor.draw();
  }

  async load() {
    const { editor } = this, file = editor.file;
    editor.part.before.setAttribute("aria-busy", "true");
    try {
      const answer = await fetch("/desk/before?file=" + encodeURIComponent(file), { cache: "no-store" });
      if (!answer.ok) { const body = await answer.json(); throw new Error([body.message, body.hint].join(" ")); }
      const image = await createImageBitmap(await answer.blob());
      if (file === editor.file) this.image = image;
    } catch (error) { this.mode = null; editor.say("refused", error.message); }
    editor.part.before.removeAttribute("aria-busy");
  }

  // On a context whose transform maps image coordinates to the canvas; `edge` is where the wipe stands, in image coordinates.
  paint(context, w, h, edge) {
    if (!this.image || !this.mode || (this.mode === "flicker" && !this.turn)) return;
    context.save();
    if (this.mode === "wipe") { context.beginPath(); context.rect(-1e6, -1e6, 1e6 + edge, 2e6); context.clip(); }
    context.drawImage(this.image, -0.5, -0.5, w, h);
    context.restore();
  }

  // Which of the two is seen where.
  paintWords(context, width) {
    if (!this.image || !this.mode) return;
    const on = this.editor.data.before.on, x = width * this.share;
    context.font = "13px system-ui, sans-serif";
    context.textBaseline = "top";
    const words = (text, at, align) => { context.textAlign = align; context.lineWidth = 3; context.strokeStyle = EDGE; context.strokeText(text, at, 12); context.fillStyle = "#fff"; context.fillText(text, at, 12); };
    if (this.mode === "wipe") {
      context.beginPath();
      context.moveTo(x, 0);
      context.lineTo(x, this.editor.height);
      stroke(context, { width: 1.6, dash: [], double: false, colour: [255, 255, 255] }, false);
      words(`${on} `, x - 6, "right");
      words("this photo", x + 8, "left");
    } else words(this.turn ? on : "this photo", 14, "left");
    context.textAlign = "left";
  }
}

function fillBefore(editor) {
  const { part, before, data } = editor;
  part.before.hidden = !data.before;
  if (!data.before) return;
  part.beforeOn.textContent = `Baseline ${data.before.on}`;
  for (const mode of ["wipe", "flicker"]) part[mode].setAttribute("aria-pressed", String(before.mode === mode));
  part.share.hidden = before.mode !== "wipe";
}
