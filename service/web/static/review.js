// Review: points to drag by mouse, finger or arrow keys; after each move the server measures again and says what follows.
"use strict";

const SVG = "http://www.w3.org/2000/svg";
const WAIT_MS = 180;
const bench = document.querySelector("[data-bench]");

function start(bench) {
  const width = Number(bench.dataset.width);
  const height = Number(bench.dataset.height);
  const automatic = JSON.parse(bench.dataset.automatic);
  const points = JSON.parse(bench.dataset.points);
  const names = JSON.parse(bench.dataset.names);
  const live = document.querySelector("[data-live]");
  const reset = document.querySelector("[data-reset]");
  const token = document.querySelector("[data-form] [name=form_token]").value;
  const handles = new Map();
  const moved = new Set(Object.keys(points).filter((name) => String(points[name]) !== String(automatic[name])));
  const size = Math.max(width, height) / 60;
  let timer = 0;
  let asked = 0;

  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.setAttribute("preserveAspectRatio", "none");
  bench.append(svg);

  function part(parent, kind, css, attributes) {
    const node = document.createElementNS(SVG, kind);
    node.setAttribute("class", css);
    for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
    parent.append(node);
    return node;
  }

  const spans = (bench.dataset.kind === "arm" ? [["side_neck", "mid_palm"]] : [["scroll_top", "body_top"], ["body_top", "body_bottom"]])
    .filter(([from, to]) => points[from] && points[to])
    .map(([from, to]) => ({ from, to, lines: ["span", "span over"].map((css) => part(svg, "line", css, {})) }));

  function place(name) {
    const [x, y] = points[name];
    handles.get(name).setAttribute("transform", `translate(${x} ${y})`);
    for (const { from, to, lines } of spans)
      for (const line of lines) {
        line.setAttribute("x1", points[from][0]);
        line.setAttribute("y1", points[from][1]);
        line.setAttribute("x2", points[to][0]);
        line.setAttribute("y2", points[to][1]);
      }
  }

  function move(name, x, y) {
    points[name] = [Math.min(Math.max(x, 0), width - 1), Math.min(Math.max(y, 0), height - 1)];
    moved.add(name);
    place(name);
    clearTimeout(timer);
    timer = setTimeout(measure, WAIT_MS);
  }

  async function measure() {
    const mine = ++asked;
    live.classList.add("busy");
    const body = new FormData();
    body.set("form_token", token);
    body.set("points", JSON.stringify(Object.fromEntries([...moved].map((name) => [name, points[name]]))));
    const answer = await fetch(bench.dataset.address, { method: "POST", body });
    if (mine !== asked) return; // a later move is already being measured
    live.classList.remove("busy");
    if (answer.ok) live.innerHTML = (await answer.json()).html; // made by our own server, every value escaped
    reset.hidden = moved.size === 0;
  }

  for (const name of Object.keys(points)) {
    const handle = part(svg, "g", "handle", {
      tabindex: "0",
      role: "button",
      "aria-label": names[name] || name,
      "aria-describedby": "how-to-move",
      "data-point": name,
    });
    part(handle, "circle", "grip", { r: size * 1.8 });
    part(handle, "circle", "core", { r: size });
    part(handle, "circle", "ring", { r: size });
    part(handle, "circle", "dot", { r: size / 7 });
    handles.set(name, handle);
    handle.addEventListener("pointerdown", (event) => {
      handle.setPointerCapture(event.pointerId);
      handle.focus();
      event.preventDefault();
    });
    handle.addEventListener("pointermove", (event) => {
      if (!handle.hasPointerCapture(event.pointerId)) return;
      const box = svg.getBoundingClientRect();
      move(name, ((event.clientX - box.left) / box.width) * width, ((event.clientY - box.top) / box.height) * height);
    });
    handle.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!step) return;
      event.preventDefault();
      const far = event.shiftKey ? 10 : 1;
      move(name, points[name][0] + far * step[0], points[name][1] + far * step[1]);
    });
    place(name);
  }

  reset.hidden = moved.size === 0;
  reset.addEventListener("click", () => {
    moved.clear();
    for (const name of Object.keys(points)) {
      points[name] = automatic[name] || points[name];
      place(name);
    }
    measure();
  });
}

if (bench) start(bench);
