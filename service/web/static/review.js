// Review: points to move by mouse, finger, arrow keys or buttons. The server says after each move what follows from it;
// one question is under way at a time, and the next one asks about the newest points.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const REACH_PX = 30; // how far from a point a finger may land, on the screen
const LOUPE_PX = 136;
const LOUPE_ZOOM = 3;
const SLOW_MS = 300;
const TRIES = 5;
const MOST_ZOOM = 12;
const PANES = [4 / 3, 1, 4 / 5]; // width over height of the part of the photo that is shown: what suits the points
const MARGIN = 1.25; // what is shown at first, over what is drawn
const STEPS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

function drawn(parent, kind, css, attributes = {}) {
  const node = document.createElementNS(SVG, kind);
  node.setAttribute("class", css);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  parent.append(node);
  return node;
}

// A magnified look at the photo about a point, beside the finger and not under it.
class Loupe {
  constructor(bench, image, width) {
    this.bench = bench;
    this.image = image;
    this.width = width;
    this.canvas = document.createElement("canvas");
    this.canvas.className = "loupe";
    this.canvas.hidden = true;
    this.canvas.setAttribute("aria-hidden", "true");
    this.canvas.width = this.canvas.height = LOUPE_PX * Math.min(window.devicePixelRatio || 1, 3);
    bench.append(this.canvas);
  }

  show([x, y]) {
    const [box, photo] = [this.bench.getBoundingClientRect(), this.image.getBoundingClientRect()];
    const scale = photo.width / this.width; // screen px for one photo px
    const [left, top] = [photo.left - box.left + x * scale, photo.top - box.top + y * scale];
    const [away, half] = [LOUPE_PX * 0.5 + 52, LOUPE_PX / 2];
    const [least, most] = [half - box.left, document.documentElement.clientWidth - half - box.left];
    const places = [[0, -away], [-away, 0], [away, 0], [0, away]].map(([dx, dy]) =>
      [dx ? left + dx : Math.min(Math.max(left, least), most), top + dy]);
    const fits = (least_y, most_y) => ([cx, cy]) =>
      cx >= least && cx <= most && box.top + cy - half >= least_y && box.top + cy + half <= most_y;
    const pane = this.bench.querySelector(".pane").getBoundingClientRect();
    const [top_y, last_y] = [Math.max(pane.top, 0), window.innerHeight];
    // Over the photo where there is room, so that neither the words above it nor the buttons below are hidden.
    const [cx, cy] = places.find(fits(top_y, Math.min(pane.bottom, last_y))) || places.find(fits(top_y, last_y)) || places.find(fits(0, last_y)) || places[0];
    this.canvas.style.left = `${cx - half}px`;
    this.canvas.style.top = `${cy - half}px`;
    this.canvas.hidden = false;
    this.paint(x, y, scale);
  }

  paint(x, y, scale) {
    const pen = this.canvas.getContext("2d");
    const size = this.canvas.width;
    const natural = this.image.naturalWidth / this.width;
    const seen = (LOUPE_PX / (scale * LOUPE_ZOOM)) * natural;
    pen.fillStyle = "#2b1e15";
    pen.fillRect(0, 0, size, size);
    // the middle of the first pixel is (0, 0)
    pen.drawImage(this.image, (x + 0.5) * natural - seen / 2, (y + 0.5) * natural - seen / 2, seen, seen, 0, 0, size, size);
    const [middle, gap] = [size / 2, size / 22];
    for (const [colour, line] of [["#fff", size / 45], ["#8c3a1a", size / 90]]) {
      pen.strokeStyle = colour;
      pen.lineWidth = line;
      pen.beginPath();
      for (const [dx, dy] of Object.values(STEPS)) {
        pen.moveTo(middle + dx * gap, middle + dy * gap);
        pen.lineTo(middle + dx * middle * 0.55, middle + dy * middle * 0.55);
      }
      pen.stroke();
    }
  }

  hide() {
    this.canvas.hidden = true;
  }
}

// The part of the photo that is shown: first what lies around the points, large enough to place them.
class Frame {
  constructor(pane, stage, width, height, places) {
    Object.assign(this, { pane, stage, width, height });
    const [xs, ys] = [0, 1].map((axis) => places.map((each) => each[axis]));
    const [left, right, top, bottom] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    this.middle = [(left + right) / 2, (top + bottom) / 2];
    const span = [Math.max(right - left, 1), Math.max(bottom - top, 1)];
    const shown = (ratio) => 1 / Math.max(span[0], span[1] * ratio); // how large, in a pane of one width
    pane.style.aspectRatio = PANES.reduce((best, each) => (shown(each) > 1.15 * shown(best) ? each : best));
    this.zoom = width / (MARGIN * Math.max(span[0], span[1] * this.ratio));
    const filled = Math.max(1, width / height / this.ratio); // then no strip beside the photo is empty
    if (filled * Math.max(span[0] / width, (span[1] / width) * this.ratio) < 0.96) this.zoom = Math.max(this.zoom, filled);
    this.apply();
  }

  get ratio() {
    return this.pane.clientWidth ? this.pane.clientWidth / this.pane.clientHeight : Number(this.pane.style.aspectRatio.split("/")[0]);
  }

  apply() {
    const ratio = this.ratio;
    this.zoom = Math.min(Math.max(this.zoom, Math.min(1, this.width / this.height / ratio)), MOST_ZOOM);
    // size of the stage over the pane's, and where its edge lies: never a gap, or the same one on both sides
    const sizes = [this.zoom, this.zoom * (this.height / this.width) * ratio];
    const edges = [this.middle[0] / this.width, this.middle[1] / this.height].map((part, axis) =>
      sizes[axis] <= 1 ? (1 - sizes[axis]) / 2 : Math.min(Math.max(0.5 - part * sizes[axis], 1 - sizes[axis]), 0));
    this.stage.style.width = `${100 * this.zoom}%`;
    this.stage.style.transform = `translate(${edges.map((edge, axis) => `${(100 * edge) / sizes[axis]}%`).join(",")})`;
  }

  by(factor, middle) {
    this.zoom *= factor;
    this.middle = middle;
    this.apply();
  }

  keep([x, y], near = 0.12) {
    const [shown, point] = [this.pane.getBoundingClientRect(), this.stage.getBoundingClientRect()];
    const [across, down] = [
      (point.left + (x / this.width) * point.width - shown.left) / shown.width,
      (point.top + (y / this.height) * point.height - shown.top) / shown.height,
    ];
    if (Math.min(across, down) > near && Math.max(across, down) < 1 - near) return;
    this.middle = [x, y];
    this.apply();
  }
}

// Asks the server about points: one question under way, the newest points next, never none at the end.
class Asker {
  constructor(address, token, tell) {
    Object.assign(this, { address, token, tell, next: null, busy: null });
  }

  ask(points) {
    this.next = points;
    this.busy ??= this.run().finally(() => { this.busy = null; this.tell.still(); });
    this.tell.still();
    return this.busy;
  }

  async run() {
    let tries = 0;
    const slow = setTimeout(() => this.tell.slow(true), SLOW_MS);
    while (this.next !== null) {
      const points = this.next;
      this.next = null;
      const body = new FormData();
      body.set("form_token", this.token);
      body.set("points", JSON.stringify(points));
      try {
        const answer = await fetch(this.address, { method: "POST", body, redirect: "error" });
        if (answer.ok) this.tell.answer(await answer.json());
        else if (answer.status < 500) this.tell.failed();
        else throw new Error(answer.status);
        tries = 0;
      } catch (error) {
        if (++tries >= TRIES) {
          this.tell.failed();
          break;
        }
        await new Promise((done) => setTimeout(done, 300 * 2 ** tries));
        this.next ??= points;
      }
    }
    clearTimeout(slow);
    this.tell.slow(false);
  }
}

function start(bench) {
  const [width, height] = [Number(bench.dataset.width), Number(bench.dataset.height)];
  const automatic = JSON.parse(bench.dataset.automatic);
  const moved = new Map(Object.entries(JSON.parse(bench.dataset.moved)));
  const [live, tools, failure] = ["live", "tools", "failure"].map((name) => document.querySelector(`[data-${name}]`));
  const [choice, undo, reset, resetAll] = ["choice", "undo", "reset", "reset-all"].map((name) => tools.querySelector(`[data-${name}]`));
  const token = document.querySelector("[data-form] [name=form_token]").value;
  const accept = document.querySelector("[data-accept]");
  const names = Object.fromEntries([...choice.options].map((each) => [each.value, each.textContent]));
  const readout = bench.querySelector("[data-readout]");
  const handles = new Map();
  const past = []; // what moved points were before each move
  let held = null;
  let lastStep = { name: null, at: 0 };
  let loupeTimer = 0;

  const [pane, stage] = ["pane", "stage"].map((css) => bench.querySelector(`.${css}`));
  bench.hidden = false;
  let found = JSON.parse(bench.dataset.drawn);
  const frame = new Frame(pane, stage, width, height, [...Object.values(automatic), ...(found.outline || [])]);
  const svg = drawn(stage, "svg", "points", { viewBox: `0 0 ${width} ${height}`, preserveAspectRatio: "none" });
  const shapes = drawn(svg, "g", "shapes");
  const drawFound = () => {
    shapes.replaceChildren();
    const line = (points, css) => points?.length && ["rim", ""].forEach((rim) =>
      drawn(shapes, "polygon", `${css} ${rim}`, { points: points.map((each) => each.join(",")).join(" ") }));
    for (const sheet of found.sheets || []) line(sheet, "of-sheet");
    line(found.outline, "of-body");
  };
  drawFound();
  const loupe = new Loupe(bench, bench.querySelector("img"), width);
  const at = (name) => moved.get(name) || automatic[name];
  const spans = (bench.dataset.kind === "arm" ? [["side_neck", "mid_palm"]] : [["scroll_top", "body_top"], ["body_top", "body_bottom"]])
    .filter(([from, to]) => automatic[from] && automatic[to])
    .map(([from, to]) => ({ from, to, lines: ["span", "span over"].map((css) => drawn(svg, "line", css)) }));

  const asker = new Asker(bench.dataset.address, token, {
    slow: (is) => live.classList.toggle("busy", is),
    failed: () => { failure.hidden = false; },
    still: () => live.setAttribute("aria-busy", String(held !== null || asker.busy !== null)), // then it is read out
    answer: ({ usable, html, more, short, drawn }) => {
      failure.hidden = true;
      accept.querySelector("button").disabled = !usable;
      live.innerHTML = html; // made by our own server, every value escaped
      const everything = document.querySelector("[data-more]");
      const open = everything.querySelector("details")?.open;
      everything.innerHTML = more;
      readout.textContent = short;
      found = drawn;
      drawFound();
      if (open) everything.querySelector("details")?.setAttribute("open", "");
    },
  });

  const measure = () => asker.ask(Object.fromEntries(moved));

  function place(name) {
    const [x, y] = at(name);
    const { handle, ghost, trail } = handles.get(name);
    handle.setAttribute("transform", `translate(${x} ${y})`);
    handle.classList.toggle("moved", moved.has(name));
    for (const node of [ghost, trail]) node.classList.toggle("gone", !moved.has(name));
    trail.setAttribute("x2", x);
    trail.setAttribute("y2", y);
    for (const { from, to, lines } of spans)
      for (const line of lines)
        for (const [end, key] of [[from, 1], [to, 2]]) {
          line.setAttribute(`x${key}`, at(end)[0]);
          line.setAttribute(`y${key}`, at(end)[1]);
        }
    undo.disabled = past.length === 0;
    reset.disabled = !moved.has(choice.value);
    resetAll.disabled = moved.size === 0;
  }

  function placeAll() {
    for (const name of handles.keys()) place(name);
  }

  function remember() {
    past.push(new Map(moved));
  }

  function move(name, x, y) {
    moved.set(name, [Math.min(Math.max(x, 0), width - 1), Math.min(Math.max(y, 0), height - 1)]);
    place(name);
    loupe.show(at(name));
    measure();
  }

  function step(name, [dx, dy], far) {
    const now = Date.now();
    if (lastStep.name !== name || now - lastStep.at > 1500) remember(); // steps in a row are one move
    lastStep = { name, at: now };
    move(name, at(name)[0] + dx * far, at(name)[1] + dy * far);
    frame.keep(at(name));
    clearTimeout(loupeTimer);
    loupeTimer = setTimeout(() => { if (!held) loupe.hide(); }, 1200);
  }

  function choose(name) {
    choice.value = name;
    for (const [each, { handle }] of handles) handle.classList.toggle("chosen", each === name);
    reset.disabled = !moved.has(name);
  }

  function change(edit) {
    edit();
    lastStep.name = null;
    placeAll();
    measure();
  }

  const photoPlace = (event) => {
    const box = svg.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width) * width, ((event.clientY - box.top) / box.height) * height, width / box.width];
  };

  for (const name of Object.keys(automatic)) {
    const [x, y] = automatic[name];
    const trail = drawn(svg, "line", "trail", { x1: x, y1: y });
    const ghost = drawn(svg, "circle", "ghost", { cx: x, cy: y });
    handles.set(name, { trail, ghost });
  }
  for (const [name, parts] of handles) {
    const handle = drawn(svg, "g", "handle", {
      tabindex: "0", role: "button", "aria-label": names[name] || name, "aria-describedby": "how-to-move", "data-point": name,
    });
    for (const css of ["grip", "core", "ring", "dot"]) drawn(handle, "circle", css);
    parts.handle = handle;
    handle.addEventListener("focus", () => choose(name));
    handle.addEventListener("keydown", (event) => {
      if (!STEPS[event.key]) return;
      event.preventDefault();
      step(name, STEPS[event.key], event.shiftKey ? 10 : 1);
    });
  }

  // Rings have one size on the screen, however large the photo is shown.
  function fitRings() {
    const unit = width / svg.getBoundingClientRect().width;
    const radii = { grip: REACH_PX, core: 10, ring: 10, dot: 1.8, ghost: 5 };
    for (const [css, radius] of Object.entries(radii))
      for (const node of svg.querySelectorAll(`.${css}`)) node.setAttribute("r", radius * unit);
  }
  new ResizeObserver(fitRings).observe(stage);
  new ResizeObserver(() => frame.apply()).observe(pane);

  svg.addEventListener("pointerdown", (event) => {
    const [x, y, unit] = photoPlace(event);
    const near = [...handles.keys()]
      .map((name) => [name, Math.hypot(at(name)[0] - x, at(name)[1] - y)])
      .sort((one, other) => one[1] - other[1])[0];
    if (!near || near[1] > REACH_PX * unit * 1.01 || event.button > 0) return;
    event.preventDefault();
    const [name] = near;
    svg.setPointerCapture(event.pointerId);
    handles.get(name).handle.focus({ preventScroll: true }); // chooses it
    // the point keeps its distance from the finger, so that it does not jump
    held = { name, id: event.pointerId, dx: at(name)[0] - x, dy: at(name)[1] - y, moving: false };
    handles.get(name).handle.classList.add("held");
    loupe.show(at(name));
  });
  // a finger on a point moves the point and not the page; browsers heed touch-action inside a drawing unevenly
  svg.addEventListener("touchstart", (event) => { if (held) event.preventDefault(); }, { passive: false });
  svg.addEventListener("pointermove", (event) => {
    if (held?.id !== event.pointerId) return;
    const [x, y] = photoPlace(event);
    if (!held.moving) remember();
    held.moving = true;
    lastStep.name = null;
    move(held.name, x + held.dx, y + held.dy);
  });
  for (const end of ["pointerup", "pointercancel"])
    svg.addEventListener(end, (event) => {
      if (held?.id !== event.pointerId) return;
      handles.get(held.name).handle.classList.remove("held");
      frame.keep(at(held.name), 0.02);
      held = null;
      asker.tell.still();
      loupe.hide();
    });

  // Buttons move the chosen point too: for fingers that want one pixel, and for hands that cannot drag.
  for (const button of tools.querySelectorAll("[data-step]")) {
    let pause = 0;
    const go = () => step(choice.value, STEPS[button.dataset.step], 1);
    const again = () => { go(); pause = setTimeout(again, 90); };
    const stop = () => clearTimeout(pause);
    button.addEventListener("pointerdown", () => { pause = setTimeout(again, 450); });
    for (const end of ["pointerup", "pointercancel", "pointerleave"]) button.addEventListener(end, stop);
    button.addEventListener("contextmenu", (event) => event.preventDefault());
    button.addEventListener("click", go);
  }
  choice.addEventListener("change", () => { choose(choice.value); frame.keep(at(choice.value)); });
  for (const button of tools.querySelectorAll("[data-zoom]"))
    button.addEventListener("click", () => { frame.by(Number(button.dataset.zoom), at(choice.value)); fitRings(); });
  undo.addEventListener("click", () => change(() => {
    const before = past.pop() || new Map();
    moved.clear();
    for (const [name, place] of before) moved.set(name, place);
  }));
  reset.addEventListener("click", () => change(() => { remember(); moved.delete(choice.value); }));
  resetAll.addEventListener("click", () => change(() => { remember(); moved.clear(); }));
  bench.addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "z" || !(event.ctrlKey || event.metaKey) || undo.disabled) return;
    event.preventDefault();
    undo.click();
  });
  accept.addEventListener("submit", async (event) => {
    if (!asker.busy) return;
    event.preventDefault(); // what is accepted is what the last move says
    await asker.busy;
    if (failure.hidden) accept.submit();
  });

  tools.hidden = false;
  choose(choice.value);
  placeAll();
}

const bench = document.querySelector("[data-bench]");
if (bench) start(bench);
