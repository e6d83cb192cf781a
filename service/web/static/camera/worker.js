// Looks at live pictures beside the page, so that the page stays quick: sheet, person, light. Pictures come as bitmaps
// and go nowhere: what is answered is where things are. Served with a policy that allows WebAssembly here alone.
"use strict";

const VENDOR = "/static/vendor/pose-0.10.21";
const SEARCH_PX = 1280; // longer side of the picture in which the sheet is searched: read there from 2.5 m (samples)
const FOLLOW_PX = 900; // of the part in which a sheet that was just seen is read again
const POSE_PX = 480; // of the picture in which the person is sought: the networks take 224 and 256
const AROUND = 0.6; // of the page's extent, kept about it when it is followed
const FOCAL = 0.75; // of the longer side: a phone's main lens, 26 to 28 mm on 36; only tells one place from another

self.exports = {};
importScripts("/static/camera/sheet.js", `${VENDOR}/vision_bundle.js`);
const { PoseLandmarker } = self.exports;

let reader;
let landmarker;
let last; // the page's corners when it was last seen

const canvases = new Map();
function canvas(name, width, height) {
  if (!canvases.has(name)) {
    const made = new OffscreenCanvas(width, height);
    canvases.set(name, made.getContext("2d", { willReadFrequently: true }));
  }
  const pen = canvases.get(name);
  if (pen.canvas.width !== width || pen.canvas.height !== height) Object.assign(pen.canvas, { width, height });
  return pen;
}

async function loaded(address, length) {
  const answer = await fetch(address);
  if (!answer.ok) throw new Error(`${address}: ${answer.status}`);
  const parts = [];
  let got = 0;
  for (const source = answer.body.getReader(); ; ) {
    const { done, value } = await source.read();
    if (done) break;
    parts.push(value);
    got += value.length;
    postMessage({ loading: Math.min(1, got / length) });
  }
  return new Uint8Array(await new Blob(parts).arrayBuffer());
}

async function begin({ kind, markers, modelBytes }) {
  reader = new SheetReader.Reader(await (await fetch(markers)).json());
  if (kind === "arm") {
    const modelAssetBuffer = await loaded(`${VENDOR}/pose_lite.task`, modelBytes);
    landmarker = await PoseLandmarker.createFromOptions(
      {
        wasmLoaderPath: `${VENDOR}/vision_wasm_internal.js`,
        wasmBinaryPath: `${VENDOR}/vision_wasm_internal.wasm`,
      },
      { baseOptions: { modelAssetBuffer, delegate: "CPU" }, runningMode: "VIDEO", numPoses: 1 },
    );
  }
  postMessage({ ready: true });
}

// Grey levels of a part of the picture, at most `longest` px on its longer side.
function greyOf(bitmap, [left, top, right, bottom], longest, name) {
  const scale = Math.min(1, longest / Math.max(right - left, bottom - top));
  const [width, height] = [Math.round((right - left) * scale), Math.round((bottom - top) * scale)];
  const pen = canvas(name, width, height);
  pen.drawImage(bitmap, left, top, right - left, bottom - top, 0, 0, width, height);
  const { data } = pen.getImageData(0, 0, width, height);
  const grey = new Uint8Array(width * height);
  let sum = 0;
  for (let i = 0, at = 0; i < grey.length; i++, at += 4) {
    grey[i] = (data[at] * 77 + data[at + 1] * 150 + data[at + 2] * 29) >> 8; // luma of ITU-R BT.601
    sum += grey[i];
  }
  return { grey, width, height, scale, brightness: sum / grey.length };
}

// The sheet within a part of the picture, in px of the whole.
function sheetIn(bitmap, part, longest, name) {
  const { grey, width, height, scale, brightness } = greyOf(bitmap, part, longest, name);
  const found = reader.find(grey, width, height);
  if (!found) return { brightness, sheet: null };
  const [left, top] = part;
  const whole = ([x, y]) => [x / scale + left, y / scale + top];
  const m = found.map;
  const map = [0, 1, 2].map((i) => m[i] / scale + left * m[6 + i]);
  map.push(...[0, 1, 2].map((i) => m[3 + i] / scale + top * m[6 + i]), m[6], m[7], m[8]);
  return { brightness, sheet: { ...found, map, corners: found.corners.map(whole), pxPerMm: found.pxPerMm / scale } };
}

function lookFor(bitmap) {
  const { width, height } = bitmap;
  const whole = [0, 0, width, height];
  if (last) {
    const [xs, ys] = [0, 1].map((axis) => last.map((corner) => corner[axis]));
    const [low, high] = [xs, ys].map((each) => [Math.min(...each), Math.max(...each)]);
    const about = AROUND * Math.max(low[1] - low[0], high[1] - high[0]);
    const part = [low[0] - about, high[0] - about, low[1] + about, high[1] + about].map(Math.round);
    const inner = [Math.max(0, part[0]), Math.max(0, part[1]), Math.min(width, part[2]), Math.min(height, part[3])];
    if (inner[2] - inner[0] > 30 && inner[3] - inner[1] > 30) {
      const followed = sheetIn(bitmap, inner, FOLLOW_PX, "follow");
      if (followed.sheet) return { ...followed, brightness: greyOf(bitmap, whole, 120, "light").brightness };
    }
  }
  return sheetIn(bitmap, whole, SEARCH_PX, "search");
}

function personIn(bitmap, time) {
  const scale = Math.min(1, POSE_PX / Math.max(bitmap.width, bitmap.height));
  const [width, height] = [bitmap.width, bitmap.height].map((side) => Math.round(side * scale));
  const pen = canvas("pose", width, height);
  pen.drawImage(bitmap, 0, 0, width, height);
  const [person] = landmarker.detectForVideo(pen.canvas, time).landmarks;
  return person ? person.map(({ x, y, visibility }) => [x * bitmap.width, y * bitmap.height, visibility]) : null;
}

function look({ bitmap, time, needsSheet }) {
  const { width, height } = bitmap;
  const begun = performance.now();
  const { sheet, brightness } = needsSheet
    ? lookFor(bitmap)
    : { sheet: null, brightness: greyOf(bitmap, [0, 0, width, height], 120, "light").brightness };
  last = sheet && sheet.corners;
  const between = performance.now();
  const person = landmarker ? personIn(bitmap, time) : null;
  bitmap.close();
  const place = sheet && SheetReader.cameraPlace(sheet.map, width, height, FOCAL * Math.max(width, height));
  const took = { sheetMs: between - begun, personMs: performance.now() - between };
  postMessage({ seen: { width, height, brightness, sheet, person, place, took } });
}

self.addEventListener("message", ({ data }) => {
  if (data.begin) begin(data.begin).catch((error) => postMessage({ failed: String(error) }));
  else {
    try {
      look(data.look);
    } catch (error) {
      postMessage({ failed: String(error) });
    }
  }
});
