// Review: points to move by mouse, finger, arrow keys or buttons, in one of several photos at a time. The server says
// after each move what follows from it; one question is under way at a time, and the next one asks about the newest
// points of all photos.
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
    Object.assign(this, { address, token, tell, next: null, busy: null }); // the token's field: it may change
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
      body.set("form_token", this.token.value);
      body.set("points", JSON.stringify(points));
      try {
        const answer = await fetch(this.address, { method: "POST", body, redirect: "error" });
        if (answer.ok) this.tell.answer(await answer.json());
        else if ([401, 403].includes(answer.status)) {
          if (await globalThis.renewed()) this.next ??= points; // signed in anew
          else this.tell.signedOut();
        } else if (answer.status < 500) this.tell.failed();
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

// One picture with its points; what all pictures share (moved points, buttons, questions) is in `shared`.
class Board {
  constructor(bench, kind, shared) {
    Object.assign(this, { bench, shared, suffix: bench.dataset.bench });
    [this.width, this.height] = [Number(bench.dataset.width), Number(bench.dataset.height)];
    this.automatic = JSON.parse(bench.dataset.automatic);
    const found = JSON.parse(bench.dataset.drawn);
    const [pane, stage] = ["pane", "stage"].map((css) => bench.querySelector(`.${css}`));
    this.frame = new Frame(pane, stage, this.width, this.height, [...Object.values(this.automatic), ...(found.outline || [])]);
    this.svg = drawn(stage, "svg", "points", { viewBox: `0 0 ${this.width} ${this.height}`, preserveAspectRatio: "none" });
    this.shapes = drawn(this.svg, "g", "shapes");
    this.drawFound(found);
    this.loupe = new Loupe(bench, bench.querySelector("img"), this.width);
    this.spans = (kind === "arm" ? [["side_neck", "mid_palm"]] : [["scroll_top", "body_top"], ["body_top", "body_bottom"]])
      .filter(([from, to]) => this.automatic[from] && this.automatic[to])
      .map(([from, to]) => ({ from, to, lines: ["span", "span over"].map((css) => drawn(this.svg, "line", css)) }));
    this.handles = new Map();
    for (const [name, [x, y]] of Object.entries(this.automatic)) {
      const trail = drawn(this.svg, "line", "trail", { x1: x, y1: y });
      this.handles.set(name, { trail, ghost: drawn(this.svg, "circle", "ghost", { cx: x, cy: y }) });
    }
    const order = Object.keys(this.shared.names); // as they are listed: along the arm, from scroll to button
    const along = [...this.handles.keys()].sort((one, other) => order.indexOf(one) - order.indexOf(other));
    for (const name of along) this.handles.get(name).handle = this.handle(name);
    this.held = null;
    this.drag();
    new ResizeObserver(() => this.fitRings()).observe(stage);
    new ResizeObserver(() => { if (pane.clientWidth) this.frame.apply(); }).observe(pane);
  }

  key(name) {
    return name + this.suffix;
  }

  at(name) {
    return this.shared.moved.get(this.key(name)) || this.automatic[name];
  }

  get isMoved() {
    return [...this.handles.keys()].some((name) => this.shared.moved.has(this.key(name)));
  }

  handle(name) {
    const handle = drawn(this.svg, "g", "handle", {
      tabindex: "0", role: "button", "aria-label": this.shared.names[name] || name, "aria-describedby": "how-to-move", "data-point": this.key(name),
    });
    for (const css of ["grip", "core", "ring", "dot"]) drawn(handle, "circle", css);
    handle.addEventListener("focus", () => this.shared.choose(name));
    handle.addEventListener("keydown", (event) => {
      if (!STEPS[event.key]) return;
      event.preventDefault();
      this.shared.step(name, STEPS[event.key], event.shiftKey ? 10 : 1);
    });
    return handle;
  }

  drawFound(found) {
    this.shapes.replaceChildren();
    const line = (points, css) => points?.length && ["rim", ""].forEach((rim) =>
      drawn(this.shapes, "polygon", `${css} ${rim}`, { points: points.map((each) => each.join(",")).join(" ") }));
    for (const sheet of found.sheets || []) line(sheet, "of-sheet");
    line(found.outline, "of-body");
  }

  place(name) {
    const [[x, y], isMoved] = [this.at(name), this.shared.moved.has(this.key(name))];
    const { handle, ghost, trail } = this.handles.get(name);
    handle.setAttribute("transform", `translate(${x} ${y})`);
    handle.classList.toggle("moved", isMoved);
    for (const node of [ghost, trail]) node.classList.toggle("gone", !isMoved);
    trail.setAttribute("x2", x);
    trail.setAttribute("y2", y);
    for (const { from, to, lines } of this.spans)
      for (const line of lines)
        for (const [end, key] of [[from, 1], [to, 2]]) {
          line.setAttribute(`x${key}`, this.at(end)[0]);
          line.setAttribute(`y${key}`, this.at(end)[1]);
        }
  }

  move(name, x, y) {
    this.shared.moved.set(this.key(name), [Math.min(Math.max(x, 0), this.width - 1), Math.min(Math.max(y, 0), this.height - 1)]);
    this.place(name);
    this.loupe.show(this.at(name));
    this.shared.changed();
  }

  // Rings have one size on the screen, however large the photo is shown.
  fitRings() {
    const shown = this.svg.getBoundingClientRect().width;
    if (!shown) return;
    const radii = { grip: REACH_PX, core: 10, ring: 10, dot: 1.8, ghost: 5 };
    for (const [css, radius] of Object.entries(radii))
      for (const node of this.svg.querySelectorAll(`.${css}`)) node.setAttribute("r", (radius * this.width) / shown);
  }

  photoPlace(event) {
    const box = this.svg.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width) * this.width, ((event.clientY - box.top) / box.height) * this.height, this.width / box.width];
  }

  drag() {
    const svg = this.svg;
    svg.addEventListener("pointerdown", (event) => {
      const [x, y, unit] = this.photoPlace(event);
      const near = [...this.handles.keys()]
        .map((name) => [name, Math.hypot(this.at(name)[0] - x, this.at(name)[1] - y)])
        .sort((one, other) => one[1] - other[1])[0];
      if (!near || near[1] > REACH_PX * unit * 1.01 || event.button > 0) return;
      event.preventDefault();
      const [name] = near;
      svg.setPointerCapture(event.pointerId);
      this.handles.get(name).handle.focus({ preventScroll: true }); // chooses it
      // the point keeps its distance from the finger, so that it does not jump
      this.held = { name, id: event.pointerId, dx: this.at(name)[0] - x, dy: this.at(name)[1] - y, moving: false };
      this.handles.get(name).handle.classList.add("held");
      this.loupe.show(this.at(name));
    });
    // a finger on a point moves the point and not the page; browsers heed touch-action inside a drawing unevenly
    svg.addEventListener("touchstart", (event) => { if (this.held) event.preventDefault(); }, { passive: false });
    svg.addEventListener("pointermove", (event) => {
      if (this.held?.id !== event.pointerId) return;
      const [x, y] = this.photoPlace(event);
      if (!this.held.moving) this.shared.remember();
      this.held.moving = true;
      this.move(this.held.name, x + this.held.dx, y + this.held.dy);
    });
    for (const end of ["pointerup", "pointercancel"])
      svg.addEventListener(end, (event) => {
        if (this.held?.id !== event.pointerId) return;
        this.handles.get(this.held.name).handle.classList.remove("held");
        this.frame.keep(this.at(this.held.name), 0.02);
        this.held = null;
        this.shared.still();
        this.loupe.hide();
      });
  }
}

function start(benches) {
  const moved = new Map(Object.entries(JSON.parse(benches.dataset.moved)));
  const [live, tools, failure] = ["live", "tools", "failure"].map((name) => document.querySelector(`[data-${name}]`));
  const [choice, undo, reset, resetAll] = ["choice", "undo", "reset", "reset-all"].map((name) => tools.querySelector(`[data-${name}]`));
  const token = document.querySelector("[data-form] [name=form_token]");
  const accept = document.querySelector("[data-accept]");
  const readout = benches.querySelector("[data-readout]");
  const views = [...benches.querySelectorAll("[name=view]:enabled")];
  const past = []; // what moved points were before each move
  let lastStep = { name: null, at: 0 };
  let loupeTimer = 0;
  let board = null; // the picture that is shown

  const still = () => live.setAttribute("aria-busy", String(Boolean(board?.held) || asker.busy !== null)); // then it is read out
  const asker = new Asker(benches.dataset.address, token, {
    slow: (is) => live.classList.toggle("busy", is),
    failed: () => { failure.hidden = false; allow(""); }, // the page shows points of which nothing is known
    signedOut: () => allow(""), // the page says so (signed_in.js)
    still,
    answer: ({ usable, html, more, short, seen, drawn }) => {
      failure.hidden = true;
      allow(usable ? seen : "");
      live.innerHTML = html; // made by our own server, every value escaped
      const everything = document.querySelector("[data-more]");
      const open = everything.querySelector("details")?.open;
      everything.innerHTML = more;
      readout.textContent = short;
      for (const each of boards) each.drawFound(drawn[each.suffix] || {});
      if (open) everything.querySelector("details")?.setAttribute("open", "");
    },
  });

  // What is accepted is what stands on the page, or nothing is.
  function allow(seen) {
    accept.elements.seen.value = seen;
    accept.querySelector("button").disabled = !seen;
  }

  function tell() {
    undo.disabled = past.length === 0;
    reset.disabled = !moved.has(board.key(choice.value));
    resetAll.disabled = moved.size === 0;
    for (const each of views)
      each.parentElement.querySelector("[data-is-moved]").hidden = !boards.find(({ suffix }) => suffix === each.value).isMoved;
  }

  function remember() {
    past.push(new Map(moved));
    lastStep.name = null;
  }

  function step(name, [dx, dy], far) {
    const now = Date.now();
    if (lastStep.name !== name || now - lastStep.at > 1500) remember(); // steps in a row are one move
    lastStep = { name, at: now };
    const [mine, [x, y]] = [board, board.at(name)];
    mine.move(name, x + dx * far, y + dy * far);
    mine.frame.keep(mine.at(name));
    clearTimeout(loupeTimer);
    loupeTimer = setTimeout(() => { if (!mine.held) mine.loupe.hide(); }, 1200);
  }

  function choose(name) {
    choice.value = name;
    for (const [each, { handle }] of board.handles) handle.classList.toggle("chosen", each === name);
    reset.disabled = !moved.has(board.key(name));
  }

  function changed() {
    tell();
    asker.ask(Object.fromEntries(moved));
  }

  const shared = { moved, remember, choose, step, changed, still, names: Object.fromEntries([...choice.options].map((each) => [each.value, each.textContent])) };
  benches.hidden = false;
  const boards = [...benches.querySelectorAll("[data-bench]")].map((bench) => {
    bench.hidden = false; // while it is laid out
    return new Board(bench, benches.dataset.kind, shared);
  });

  function show(suffix) {
    board?.loupe.hide();
    lastStep.name = null;
    board = boards.find((each) => each.suffix === suffix) || boards[0];
    for (const each of boards) each.bench.hidden = each !== board;
    for (const each of views) each.checked = each.value === board.suffix;
    board.frame.apply();
    board.fitRings();
    choose(choice.value);
    tell();
  }

  // Take moves back, or put them again: in the picture where they were, so that it is seen.
  function change(edit) {
    const before = new Map(moved);
    edit();
    lastStep.name = null;
    const touched = [...new Set([...before.keys(), ...moved.keys()])].filter((key) => before.get(key)?.join() !== moved.get(key)?.join());
    const where = touched.map((key) => key.slice(key.split("@")[0].length));
    if (where.length && !where.includes(board.suffix)) show(where[0]);
    for (const each of boards) for (const name of each.handles.keys()) each.place(name);
    const pressed = document.activeElement;
    changed();
    if (pressed.disabled) board.handles.get(choice.value).handle.focus({ preventScroll: true }); // or the keyboard is nowhere
  }

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
  choice.addEventListener("change", () => { choose(choice.value); board.frame.keep(board.at(choice.value)); });
  for (const each of views) each.addEventListener("change", () => show(each.value));
  for (const button of tools.querySelectorAll("[data-zoom]"))
    button.addEventListener("click", () => { board.frame.by(Number(button.dataset.zoom), board.at(choice.value)); board.fitRings(); });
  undo.addEventListener("click", () => change(() => {
    const before = past.pop() || new Map();
    moved.clear();
    for (const [key, place] of before) moved.set(key, place);
  }));
  reset.addEventListener("click", () => change(() => { remember(); moved.delete(board.key(choice.value)); }));
  resetAll.addEventListener("click", () => change(() => { remember(); moved.clear(); }));
  benches.addEventListener("keydown", (event) => {
    if (event.key.toLowerCase() !== "z" || !(event.ctrlKey || event.metaKey) || undo.disabled) return;
    event.preventDefault();
    undo.click();
  });
  let accepting = false;
  accept.addEventListener("submit", async (event) => {
    if (!asker.busy && !accepting) return;
    event.preventDefault(); // what is accepted is what the last move says; where it says nothing, nothing is
    if (accepting) return;
    accepting = true;
    await asker.busy;
    accepting = failure.hidden && !accept.querySelector("button").disabled;
    if (accepting) accept.submit();
  });

  addEventListener("signed-in", () => { if (!accept.elements.seen.value) changed(); });

  tools.hidden = false;
  for (const each of boards) for (const name of each.handles.keys()) each.place(name);
  show(boards[0].suffix);
}

const benches = document.querySelector("[data-benches]");
if (benches) start(benches);
