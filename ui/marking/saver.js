// Saves every gesture with the revision it was made from. What cannot be sent is kept in the browser and sent later.
class Saver {
  constructor(file, told) {
    this.file = file;
    this.told = told; // called with (state, detail): "saved" | "saving" | "conflict" | "lost"
    this.revision = 0;
    this.waiting = null;
    this.busy = false;
    this.state = "saved";
    this.stopped = false;
    this.url = "/desk/marks?file=" + encodeURIComponent(file);
    this.key = "unsent marks " + file;
  }

  say(state, detail) { this.state = state; this.told(state, detail); }

  async load() {
    const answer = await fetch(this.url, { cache: "no-store" });
    const body = await answer.json();
    if (!answer.ok) throw new Error([body.message, body.hint].join(" "));
    this.revision = body.revision;
    const kept = this.kept();
    if (kept && kept.revision === body.revision) {
      this.save(kept.text);
      return { ...body, ...JSON.parse(kept.text) };
    }
    this.forget();
    return body;
  }

  kept() {
    try { return JSON.parse(localStorage.getItem(this.key)); } catch { return null; }
  }
  keep(text) {
    try { localStorage.setItem(this.key, JSON.stringify({ revision: this.revision, text })); } catch { /* full or forbidden */ }
  }
  forget() {
    try { localStorage.removeItem(this.key); } catch { /* forbidden */ }
  }

  save(text) {
    this.waiting = text;
    this.keep(text);
    if (this.state === "conflict") return;
    if (!this.busy) this.send();
  }

  async send() {
    this.busy = true;
    while (this.waiting !== null && !this.stopped && this.state !== "conflict") {
      const text = this.waiting;
      this.waiting = null;
      this.say("saving");
      try {
        const answer = await fetch(this.url, {
          method: "PUT", headers: { "Content-Type": "application/json" },
          body: JSON.stringify({ revision: this.revision, ...JSON.parse(text) }),
        });
        const body = await answer.json();
        if (answer.status === 409) { this.waiting ??= text; this.say("conflict"); }
        else if (!answer.ok) { this.forget(); this.say("refused", [body.message, body.hint].join(" ")); }
        else { this.revision = body.revision; if (this.waiting === null) { this.forget(); this.say("saved"); } else this.keep(this.waiting); }
      } catch {
        this.waiting ??= text;
        this.say("lost");
        await new Promise((again) => setTimeout(again, 1500));
      }
    }
    this.busy = false;
  }

  // After a conflict: what stands here takes the place of what the other window saved (which stays in the store).
  async keepMine() {
    const answer = await fetch(this.url, { cache: "no-store" });
    this.revision = (await answer.json()).revision;
    this.say("saving");
    if (!this.busy) this.send();
  }

  stop() { this.stopped = true; }
}
