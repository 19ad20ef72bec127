// The photo on its canvas: a reduced whole at once, then the window in view at the resolution that is looked at.
class Pictures {
  constructor(data, drawn) {
    this.w = data.width;
    this.h = data.height;
    this.drawn = drawn;
    this.query = "?file=" + encodeURIComponent(data.file) + "&v=" + data.sha256.slice(0, 12);
    this.whole = null;
    this.window = null; // {image, x, y, w, h, f}
    this.fine = null; // the same, round the loupe
    this.timer = 0;
    this.fineTimer = 0;
    this.load("/desk/overview" + this.query).then((image) => { this.whole = image; drawn(); }).catch(() => drawn("The photo cannot be shown."));
  }

  async load(url) {
    const image = new Image();
    image.src = url;
    await image.decode();
    return image;
  }

  region(x, y, w, h, f) {
    const left = Math.max(0, Math.floor(x)), top = Math.max(0, Math.floor(y));
    const right = Math.min(this.w, Math.ceil(x + w)), bottom = Math.min(this.h, Math.ceil(y + h));
    if (right <= left || bottom <= top) return null;
    const box = { x: left, y: top, w: right - left, h: bottom - top, f };
    return this.load(`/desk/region${this.query}&x=${box.x}&y=${box.y}&w=${box.w}&h=${box.h}&f=${f}`).then((image) => ({ image, ...box }));
  }

  // Ask for the window in view, a little later: zooming passes many.
  ask(view, width, height) {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      if (!this.whole || this.whole.naturalWidth >= this.w) return;
      const f = Math.max(1, Math.min(8, Math.floor(1 / (view.scale * devicePixelRatio))));
      if (this.whole.naturalWidth * f >= this.w) return;
      const w = width / view.scale, h = height / view.scale;
      const asked = (this.asked = {});
      this.region(view.x - 0.15 * w, view.y - 0.15 * h, 1.3 * w, 1.3 * h, f)?.then((got) => {
        if (asked === this.asked) { this.window = got; this.drawn(); }
      }).catch(() => {});
    }, 100);
  }

  askFine(p, reach) {
    if (!this.whole || this.whole.naturalWidth >= this.w) return;
    const has = this.fine;
    if (has && p[0] - reach >= has.x && p[1] - reach >= has.y && p[0] + reach <= has.x + has.w && p[1] + reach <= has.y + has.h) return;
    clearTimeout(this.fineTimer);
    this.fineTimer = setTimeout(() => {
      this.region(p[0] - 3 * reach, p[1] - 3 * reach, 6 * reach, 6 * reach, 1)?.then((got) => { this.fine = got; this.drawn(); }).catch(() => {});
    }, 60);
  }

  // Draw on a context whose transform maps image coordinates (pixel centres are whole numbers) to the canvas.
  paint(context, smooth, withFine) {
    context.imageSmoothingEnabled = smooth;
    context.imageSmoothingQuality = "high";
    if (this.whole) context.drawImage(this.whole, -0.5, -0.5, this.w, this.h);
    for (const part of withFine ? [this.window, this.fine] : [this.window]) {
      if (part) context.drawImage(part.image, part.x - 0.5, part.y - 0.5, part.w, part.h);
    }
  }
}

class View {
  constructor() { this.scale = 0; this.x = 0; this.y = 0; } // x, y: image position at the canvas' upper left corner

  fit(w, h, width, height) {
    this.scale = Math.min(width / w, height / h) * 0.98;
    this.x = w / 2 - width / 2 / this.scale - 0.5;
    this.y = h / 2 - height / 2 / this.scale - 0.5;
  }
  toImage(p) { return [this.x + p[0] / this.scale, this.y + p[1] / this.scale]; }
  toScreen(p) { return [(p[0] - this.x) * this.scale, (p[1] - this.y) * this.scale]; }
  zoom(by, at, least, most) {
    const [x, y] = this.toImage(at);
    this.scale = Math.max(least, Math.min(most, this.scale * by));
    this.x = x - at[0] / this.scale;
    this.y = y - at[1] / this.scale;
  }
  pan(dx, dy) { this.x -= dx / this.scale; this.y -= dy / this.scale; }
}
