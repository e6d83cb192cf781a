// Makes photos smaller on the phone before it is sent, and keeps what measuring needs from its metadata: the focal
// length (35 mm equivalent), the digital zoom, which lens, and the size of the picture as it was, by which a later cut is
// noticed.
// Place, time and device stay on the phone. Only JPEGs are made smaller: it is what the camera hands over, and another
// kind of file (HEIC, PNG) would lose its focal length here; those are sent as they are. So is every photo without this
// script, or in a browser that cannot open it: the service forgets the metadata when it decodes.
"use strict";

const LONGEST_SIDE_PX = 3600;
const QUALITY = 0.9;
const HEAD_BYTES = 262144; // metadata comes first and has at most 64 KiB; some phones put another block before it
const WIDTH = 0xa002; // tags of Exif 2.32, CIPA DC-008
const HEIGHT = 0xa003;
const ZOOM = 0xa404;
const FOCAL_LENGTH_35MM = 0xa405;
const LENS_MODEL = 0xa434;
const SHORT = 3;
const LONG = 4;
const RATIONAL = 5;

const isJpeg = (bytes) => bytes.byteLength > 4 && new DataView(bytes).getUint16(0) === 0xffd8;

// Reads what measuring needs from a JPEG's Exif block; nothing where there is none or it is damaged.
function readLens(bytes) {
  const view = new DataView(bytes);
  try {
    for (let at = 2; view.getUint8(at) === 0xff; at += 2 + view.getUint16(at + 2)) {
      if (view.getUint8(at + 1) === 0xe1 && view.getUint32(at + 4) === 0x45786966) return readTiff(view, at + 10);
    }
  } catch {
    // ran over the end: measure without
  }
  return {};
}

function readTiff(view, start) {
  const little = view.getUint16(start) === 0x4949;
  const u16 = (at) => view.getUint16(start + at, little);
  const u32 = (at) => view.getUint32(start + at, little);
  const find = (directory, tag) => {
    for (let i = 0; i < u16(directory); i++) if (u16(directory + 2 + 12 * i) === tag) return directory + 2 + 12 * i;
    return 0;
  };
  const pointer = find(u32(4), 0x8769);
  if (!pointer) return {};
  const exif = u32(pointer + 8);
  const number = (tag) => {
    const entry = find(exif, tag);
    if (!entry) return 0;
    return u16(entry + 2) === SHORT ? u16(entry + 8) : u32(entry + 8);
  };
  const zoom = find(exif, ZOOM);
  const lens = find(exif, LENS_MODEL);
  let model = "";
  for (let i = 0; lens && i < Math.min(u32(lens + 4), 64); i++) {
    model += String.fromCharCode(view.getUint8(start + u32(lens + 8) + i));
  }
  return {
    focal: number(FOCAL_LENGTH_35MM),
    zoom: zoom ? u32(u32(zoom + 8)) / u32(u32(zoom + 8) + 4) : 0,
    width: number(WIDTH),
    height: number(HEIGHT),
    front: model.toLowerCase().includes("front"),
  };
}

// An Exif block that holds these numbers and nothing else.
function lensBlock(lens) {
  const numbers = [
    [WIDTH, LONG, lens.width],
    [HEIGHT, LONG, lens.height],
    [ZOOM, RATIONAL, lens.zoom],
    [FOCAL_LENGTH_35MM, SHORT, lens.focal],
  ].filter(([, , value]) => value && Number.isFinite(value));
  const model = lens.front ? "front\0" : "";
  const count = numbers.length + (model ? 1 : 0);
  const text = 26 + 2 + 12 * count + 4; // where the text lies, from the start of the TIFF part
  const ratio = text + model.length; // and behind it the zoom's two numbers
  const block = new DataView(new ArrayBuffer(10 + ratio + 8));
  const put = (at, ...shorts) => shorts.forEach((value, i) => block.setUint16(at + 2 * i, value));
  put(0, 0xffe1, block.byteLength - 2, 0x4578, 0x6966, 0); // APP1, "Exif"
  put(10, 0x4d4d, 42, 0, 8, 1, 0x8769, LONG, 0, 1, 0, 26, 0, 0, count); // big-endian; one pointer to the directory at 26
  numbers.forEach(([tag, kind, value], i) => {
    put(38 + 12 * i, tag, kind, 0, 1);
    if (kind === RATIONAL) {
      block.setUint32(46 + 12 * i, ratio);
      block.setUint32(10 + ratio, Math.round(1000 * value));
      block.setUint32(14 + ratio, 1000);
    } else if (kind === SHORT) block.setUint16(46 + 12 * i, value);
    else block.setUint32(46 + 12 * i, value);
  });
  if (model) {
    put(38 + 12 * numbers.length, LENS_MODEL, 2, 0, model.length, 0, text);
    [...model].forEach((letter, i) => block.setUint8(10 + text + i, letter.charCodeAt(0)));
  }
  return block.buffer;
}

async function shrunk(file) {
  const head = await file.slice(0, HEAD_BYTES).arrayBuffer();
  if (!isJpeg(head)) return file;
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const lens = readLens(head);
  if (!lens.width || !lens.height) Object.assign(lens, { width: picture.width, height: picture.height });
  const scale = Math.min(1, LONGEST_SIDE_PX / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * scale);
  canvas.height = Math.round(picture.height * scale);
  const pen = canvas.getContext("2d");
  pen.imageSmoothingQuality = "high";
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  const jpeg = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
  if (!jpeg) return file;
  const small = await jpeg.arrayBuffer();
  return new File([small.slice(0, 2), lensBlock(lens), small.slice(2)], "photo.jpg", { type: "image/jpeg" });
}

// Shows what was chosen: the pictures, or a file's name where this browser cannot show such a file.
function show(form, input, files, names) {
  const place = form.querySelector(`[data-preview="${input.name}"]`) || form.querySelector("[data-preview]");
  if (!place) return;
  const shown = files.map((file, i) => {
    const image = document.createElement("img");
    image.className = "preview";
    image.alt = names[i];
    image.addEventListener("error", () => {
      const words = document.createElement("p");
      words.className = "preview name";
      words.textContent = names[i];
      image.replaceWith(words);
    });
    image.src = URL.createObjectURL(file);
    return image;
  });
  place.replaceChildren(...shown);
}

// A film that would not be accepted is not sent in the first place; the service says the same without this script.
const isFilm = (file) => file.type.startsWith("video/") || /\.(mp4|mov|m4v|webm|mkv)$/i.test(file.name);

function tooLarge(form, input, files) {
  const most = Number(form.dataset.filmBytes || Infinity);
  const status = form.querySelector("[data-status]");
  if (!files.some((file) => isFilm(file) && file.size > most)) {
    if (status) status.textContent = "";
    return false;
  }
  input.value = "";
  show(form, input, [], []);
  if (status) status.textContent = form.dataset.filmLarge;
  return true;
}

// A form for one photo, from the camera or from the phone's pictures: whichever was used last counts.
function chooseOnly(form, chosen, working) {
  for (const input of form.querySelectorAll("input[type=file]")) {
    if (input === chosen) continue;
    input.value = "";
    working.delete(input);
  }
  for (const label of form.querySelectorAll("[data-again]")) label.textContent = label.dataset.again;
  const send = form.querySelector("[data-send]");
  form.classList.add("chosen");
  send.after(form.querySelector(".camera"));
  send.focus();
}

function help(form) {
  const working = new Map();
  form.classList.add("helped");
  for (const input of form.querySelectorAll("input[type=file]")) {
    const take = () => {
      const files = [...input.files].slice(0, Number(input.dataset.most || 1));
      if (!files.length || tooLarge(form, input, files)) return;
      if ("onePhoto" in form.dataset) chooseOnly(form, input, working);
      // a picture this browser cannot open is sent as it is
      const work = Promise.all(files.map((file) => shrunk(file).catch(() => file))).then((small) => {
        if (working.get(input) !== work) return; // another one was chosen meanwhile
        const bag = new DataTransfer();
        for (const file of small) bag.items.add(file);
        input.files = bag.files;
        show(form, input, small, files.map((file) => file.name));
        working.delete(input);
      });
      working.set(input, work);
    };
    input.addEventListener("change", take);
    take(); // a photo that was chosen before this script had arrived, or that the browser kept on going back
  }
  form.addEventListener("submit", async (event) => {
    const status = form.querySelector("[data-status]");
    const keeps = "keep" in form.dataset && globalThis.outbox;
    const stays = "stay" in form.dataset && globalThis.stay;
    if (stays && form.hasAttribute("aria-busy")) return event.preventDefault(); // pressed twice
    if (status) {
      status.style.minHeight = `${status.offsetHeight}px`; // or what stands below the button comes under a second tap
      status.textContent = form.dataset.busy;
    }
    form.setAttribute("aria-busy", "true");
    if (!working.size && !keeps && !stays) return;
    event.preventDefault();
    while (working.size) await Promise.all(working.values());
    if (stays) return globalThis.stay(form, status);
    if (keeps && (await globalThis.outbox.post(form, status))) return;
    form.submit();
  });
  window.addEventListener("pageshow", ({ persisted }) => {
    form.removeAttribute("aria-busy");
    const key = form.elements.client_key;
    if (!persisted || !key) return;
    // The browser shows the page as it was left: what is sent now is another photo, and not the same one again.
    key.value = [...crypto.getRandomValues(new Uint8Array(16))].map((each) => each.toString(16).padStart(2, "0")).join("");
  });
}

globalThis.helpForms = () => document.querySelectorAll("form[data-shrink]:not(.helped)").forEach(help);
globalThis.helpForms();
