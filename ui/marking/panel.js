// What stands round the photo: tools, the properties of the chosen mark, the bar above and the line below.
function h(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value != null) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child != null));
  return element;
}

function frame(editor) {
  const key = (words, title, on, extra = {}) => h("button", { type: "button", title, "aria-label": title, onclick: on, ...extra }, words);
  const part = {};
  part.undo = key("↶ Undo", "Undo the last change", () => editor.undo());
  part.redo = key("↷ Redo", "Redo", () => editor.redo());
  part.loupe = key("Loupe", "Magnify round the pointer", () => editor.toggle("loupe"), { "aria-pressed": "true" });
  part.ink = key("Marks", "Show or hide everything drawn over the photo", () => editor.toggle("ink"), { "aria-pressed": "true" });
  part.snap = h("select", { "aria-label": "How a new stretch runs", onchange: (e) => editor.setSnap(e.target.value) },
    ...[["", "straight from point to point"], ["dark_line", "along a dark line"], ["light_line", "along a light line"], ["step_edge", "along an edge"]]
      .map(([value, words]) => h("option", { value }, words)));
  part.way = h("select", { "aria-label": "How the tooth is seen", onchange: (e) => editor.setWay(e.target.value) },
    h("option", { value: "direct" }, "seen directly"), h("option", { value: "mirror" }, "seen in the mirror"));
  part.ways = h("label", {}, "Photo ", part.way);
  const slider = (words, name) => h("label", { class: "slide" }, words, h("input", { type: "range", min: 50, max: 250, value: 100, oninput: (e) => editor.light(name, e.target.value) }));
  part.wipe = key("Wipe", "Wipe the baseline photo across this one", () => editor.before.set("wipe"), { "aria-pressed": "false" });
  part.flicker = key("In turns", "Show the baseline photo and this one in turns", () => editor.before.set("flicker"), { "aria-pressed": "false" });
  part.share = h("input", { type: "range", min: 0, max: 100, value: 50, hidden: true, "aria-label": "Where the wipe stands", oninput: (e) => { editor.before.share = e.target.value / 100; editor.draw(); } });
  part.beforeOn = h("span", {});
  part.before = h("span", { class: "group before", hidden: true }, part.beforeOn, part.wipe, part.flicker, part.share);
  part.bar = h("div", { class: "bar", role: "toolbar", "aria-label": "Canvas" },
    h("span", { class: "group" }, part.undo, part.redo),
    h("span", { class: "group" }, key("−", "Smaller", () => editor.zoomBy(1 / 1.4)), key("+", "Larger", () => editor.zoomBy(1.4)), key("Whole", "Show the whole photo", () => editor.fit()), key("1 : 1", "One photo pixel a screen pixel", () => editor.zoomTo(1))),
    h("span", { class: "group" }, part.ink, part.loupe),
    h("span", { class: "group" }, h("label", {}, "Line ", part.snap), part.ways),
    part.before,
    h("span", { class: "group", title: "For viewing only; nothing measured changes" }, slider("Light ", "brightness"), slider("Contrast ", "contrast")));
  part.tools = h("div", { class: "tools", role: "group", "aria-label": "What to mark" });
  part.fields = h("div", { class: "fields" });
  part.photo = h("canvas", { class: "photo", "aria-hidden": "true" });
  part.over = h("canvas", { class: "over", tabindex: 0, role: "application",
    "aria-label": "Photo to mark. Choose a tool first. Arrow keys move the pen or the held point, space sets a point, enter ends the line, delete removes, comma and full stop go from point to point." });
  part.lens = h("canvas", { class: "lens", "aria-hidden": "true", width: 2, height: 2 });
  part.notice = h("div", { class: "notice", role: "status", hidden: true });
  part.stage = h("div", { class: "stage" }, part.photo, part.over, part.lens, part.notice);
  part.said = h("span", { class: "said", role: "status" });
  part.scale = h("span", { class: "scale" });
  part.where = h("span", { class: "where" });
  part.legend = h("div", { class: "legend", hidden: true });
  part.line = h("div", { class: "line" }, part.said, part.scale, part.where, part.legend);
  part.root = h("div", { class: "desk" }, part.bar, h("div", { class: "side" }, part.tools, part.fields), part.stage, part.line);
  return part;
}

// What the lines mean that the tool drew.
function fillLegend(editor) {
  const { part, data } = editor, names = [...new Set(editor.found.map((line) => line.pen))];
  part.legend.hidden = !names.length;
  part.legend.replaceChildren(...names.map((name) => {
    const sample = h("canvas", { width: 72, height: 20, "aria-hidden": "true" }), context = sample.getContext("2d"), pen = data.pens[name];
    context.scale(2, 2);
    context.beginPath();
    context.moveTo(2, 5);
    context.lineTo(34, 5);
    stroke(context, pen, false);
    return h("span", {}, sample, " " + pen.words);
  }));
}

// Proposed until a hand has been on it; the same shapes as in the results.
function standing(own) {
  if (own.some((s) => s.found)) return ["◇", "proposed: the tool finds it"];
  const waits = own.find((s) => (s.props.carried_from || s.props.proposed) && !s.props.corrected);
  if (waits) return ["◇", waits.props.carried_from ? `proposed: from ${waits.props.carried_from}` : "proposed: look and correct"];
  return ["●", own.length > 1 ? `marked, ${own.length}` : "marked"];
}

function fillTools(editor) {
  const { tools, marks, part } = editor;
  part.tools.replaceChildren(...tools.map((tool) => {
    const own = marks.shapes.filter((s) => s.role === tool.role);
    const whole = own.some((s) => s.found || s.parts.every((one) => one.length >= (tool.point ? 1 : tool.closed ? 3 : 2)));
    const open = own.some((s) => s.id === marks.open);
    const state = open ? ["◐", "being drawn"] : whole ? standing(own) : ["○", "not marked"];
    return h("button", { type: "button", class: "tool" + (open ? " open" : ""), "aria-pressed": String(open), "data-role": tool.role, title: tool.help, onclick: () => editor.take(tool) },
      h("span", { class: "state", "aria-hidden": "true" }, state[0]), h("span", { class: "words" }, tool.words, h("small", {}, state[1])));
  }));
}

function fillFields(editor) {
  const { marks, part } = editor, shape = marks.current;
  const tool = shape && editor.tools.find((one) => one.role === shape.role);
  if (!shape || !tool) {
    part.fields.replaceChildren(h("p", { class: "hint" }, marks.shapes.length ? "Choose a mark on the photo to see or change it." : "Choose what to mark, then click on the photo. The reference first: without it nothing has millimetres."));
    return;
  }
  const act = (words, on, extra = {}) => h("button", { type: "button", onclick: on, ...extra }, words);
  const actions = [];
  const findable = tool.findable === true || tool.findable?.includes(shape.props.kind);
  if (marks.open === shape.id && findable && !shape.parts[0].length) actions.push(act("Let the tool find it", () => editor.leaveToTool(), { class: "main" }));
  else if (marks.open === shape.id && tool.proposes && !shape.parts[0].length) actions.push(oneClick(editor, "Outline it from one click"));
  else if (marks.open === shape.id) actions.push(act("Done", () => editor.finish(), { class: "main" }));
  else if (!tool.point && !shape.found) {
    if (!shape.closed) actions.push(act("Continue", () => editor.resume(shape)));
    if (tool.role === "reference") actions.push(act("Add a second line", () => editor.addPart(shape)));
  }
  if (marks.open !== shape.id && shape.props.proposed === "one_click") actions.push(oneClick(editor, "Add a part from one click"));
  if (tool.role === "metal") actions.push(...brushes(editor));
  if (tool.many && marks.open !== shape.id) actions.push(act("Another", () => editor.begin(tool)));
  if (shape.found) actions.push(act("Draw it myself", () => { marks.removeShape(shape.id); editor.begin(tool); }));
  actions.push(act("Remove", () => { marks.removeShape(shape.id); editor.changed(); }));
  const kind = shape.props.kind;
  part.fields.replaceChildren(...[
    h("h2", {}, tool.words), h("p", { class: "hint" }, (tool.helps && tool.helps[kind]) || tool.help),
    tool.own?.length ? ownOnes(editor, shape, tool) : null,
    ...tool.fields.filter((f) => !f.of || f.of.includes(kind)).map((f) => field(editor, shape, f)),
    h("div", { class: "actions" }, ...actions)].filter(Boolean));
}

// The practice's own references: choosing one says all of it at once.
function ownOnes(editor, shape, tool) {
  const put = (e) => {
    editor.marks.remember();
    for (const name of ["tick_mm", "diameter_mm", "marks_mm", "u_mm", "id"]) delete shape.props[name];
    Object.assign(shape.props, tool.own.find((one) => one.id === e.target.value) || {});
    editor.changed();
  };
  const options = [h("option", { value: "" }, "none of them"), ...tool.own.map((one) => h("option", { value: one.id, selected: one.id === shape.props.id }, `${one.id}, ${one.kind}`))];
  return h("label", { class: "field" }, h("span", {}, "The practice's own"), h("select", { "data-field": "own", onchange: put }, ...options));
}

function field(editor, shape, f) {
  const value = shape.props[f.name];
  const put = (raw) => {
    let next = raw === "" ? undefined : raw;
    if (f.kind === "number" && next !== undefined) next = Number(String(next).replace(",", "."));
    if (f.kind === "numbers" && next !== undefined) next = String(next).split(/[\s;]+/).map((one) => Number(one.replace(",", ".")));
    if ([next].flat().some((one) => typeof one === "number" && !Number.isFinite(one))) { editor.say("refused", `${f.words} must be a number.`); return; }
    editor.marks.remember();
    if (next === undefined) delete shape.props[f.name];
    else shape.props[f.name] = next;
    if (f.name === "kind") Object.assign(shape.props, f.starts?.[next] || {});
    editor.changed();
  };
  const on = (e) => put(e.target.value);
  const input = f.choices
    ? h("select", { "data-field": f.name, onchange: on }, ...[["", f.empty || "choose"], ...f.choices].map(([v, words]) => h("option", { value: v, selected: v === (value ?? "") }, words)))
    : h("input", { "data-field": f.name, type: "text", inputmode: f.kind === "text" ? "text" : "decimal", placeholder: f.empty || "", value: Array.isArray(value) ? value.join(" ") : value ?? "", onchange: on });
  return h("label", { class: "field" + (f.must && value === undefined ? " wanted" : "") }, h("span", {}, f.words), input);
}
