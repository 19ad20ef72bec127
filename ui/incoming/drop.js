// Sends chosen files one after another to the server, which writes them to disk as they come.
const DROPS = new WeakMap();

export default function (component) {
  const root = component.parentElement.querySelector(".drop");
  DROPS.set(root, component);
  if (root.dataset.ready) return;
  root.dataset.ready = "yes";
  const input = root.querySelector("input"), bar = root.querySelector("progress"), said = root.querySelector(".told"), stop = root.querySelector(".stop");
  let stopped = null;
  input.addEventListener("change", () => send([...input.files]));
  root.addEventListener("dragover", (e) => { e.preventDefault(); root.classList.add("over"); });
  root.addEventListener("dragleave", () => root.classList.remove("over"));
  root.addEventListener("drop", (e) => { e.preventDefault(); root.classList.remove("over"); send([...e.dataTransfer.files]); });
  stop.addEventListener("click", () => stopped?.abort());

  async function send(files) {
    if (!files.length || stopped) return;
    stopped = new AbortController();
    bar.hidden = stop.hidden = false;
    bar.max = files.length;
    let done = 0;
    const troubles = [];
    for (const file of files) {
      said.textContent = `${done + 1} of ${files.length}: ${file.name}`;
      try {
        const answer = await fetch("/desk/incoming?name=" + encodeURIComponent(file.name), { method: "PUT", body: file, signal: stopped.signal });
        if (answer.ok) done += 1;
        else troubles.push((await answer.json()).message);
      } catch (error) {
        if (stopped.signal.aborted) break;
        troubles.push(`${file.name}: the connection is lost. Choose it again.`);
      }
      bar.value = done;
    }
    bar.hidden = stop.hidden = true;
    input.value = "";
    stopped = null;
    said.textContent = [`${done} of ${files.length} arrived.`, ...troubles].join(" ");
    DROPS.get(root).setTriggerValue("arrived", { done, troubles: troubles.length });
  }
}
