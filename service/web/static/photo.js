// Makes a photo smaller on the phone before it is sent, and keeps the one thing that measuring needs from its metadata:
// the focal length (35 mm equivalent). Place, time and device stay on the phone. Without this script the photo is sent
// as it is, which works too.
"use strict";

const LONGEST_SIDE_PX = 3600;
const WORTH_IT_BYTES = 2.5e6;
const QUALITY = 0.9;
const FOCAL_LENGTH_35MM = 0xa405;
const LENS_MODEL = 0xa434;

// Reads 35 mm focal length and front lens from a JPEG's Exif block (CIPA DC-008); null where there is none.
function readLens(bytes) {
  const view = new DataView(bytes);
  if (view.byteLength < 4 || view.getUint16(0) !== 0xffd8) return null;
  for (let at = 2; at + 10 < view.byteLength && view.getUint8(at) === 0xff;) {
    const length = view.getUint16(at + 2);
    if (view.getUint8(at + 1) === 0xe1 && view.getUint32(at + 4) === 0x45786966) return readTiff(view, at + 10);
    at += 2 + length;
  }
  return null;
}

function readTiff(view, start) {
  try {
    const little = view.getUint16(start) === 0x4949;
    const u16 = (at) => view.getUint16(start + at, little);
    const u32 = (at) => view.getUint32(start + at, little);
    const find = (directory, tag) => {
      for (let i = 0; i < u16(directory); i++) if (u16(directory + 2 + 12 * i) === tag) return directory + 2 + 12 * i;
      return 0;
    };
    const pointer = find(u32(4), 0x8769);
    if (!pointer) return null;
    const exif = u32(pointer + 8);
    const focal = find(exif, FOCAL_LENGTH_35MM);
    const lens = find(exif, LENS_MODEL);
    let model = "";
    if (lens) {
      const from = start + u32(lens + 8);
      for (let i = 0; i < Math.min(u32(lens + 4), 64); i++) model += String.fromCharCode(view.getUint8(from + i));
    }
    return { focal: focal ? u16(focal + 8) : 0, front: model.toLowerCase().includes("front") };
  } catch {
    return null; // damaged metadata: measure without
  }
}

// Puts a minimal Exif block with the focal length into a JPEG.
function withLens(jpeg, lens) {
  if (!lens || (!lens.focal && !lens.front)) return new Blob([jpeg], { type: "image/jpeg" });
  const model = lens.front ? "front\0" : "rear\0\0";
  const block = new DataView(new ArrayBuffer(72));
  const put = (at, ...shorts) => shorts.forEach((value, i) => block.setUint16(at + 2 * i, value));
  put(0, 0xffe1, 70, 0x4578, 0x6966, 0, 0x4d4d, 42, 0, 8); // APP1, "Exif", big-endian TIFF, first directory at 8
  put(18, 1, 0x8769, 4, 0, 1, 0, 26, 0, 0); // one entry: pointer to the Exif directory at 26
  put(36, 2, FOCAL_LENGTH_35MM, 3, 0, 1, lens.focal, 0, LENS_MODEL, 2, 0, 6, 0, 56, 0, 0);
  [...model].forEach((letter, i) => block.setUint8(66 + i, letter.charCodeAt(0)));
  return new Blob([jpeg.slice(0, 2), block.buffer, jpeg.slice(2)], { type: "image/jpeg" });
}

async function shrunk(file) {
  const lens = readLens(await file.slice(0, 262144).arrayBuffer());
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_SIDE_PX / Math.max(picture.width, picture.height));
  if (scale === 1 && file.size < WORTH_IT_BYTES) return file;
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * scale);
  canvas.height = Math.round(picture.height * scale);
  const pen = canvas.getContext("2d");
  pen.imageSmoothingQuality = "high";
  pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
  const jpeg = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
  if (!jpeg || jpeg.size > file.size) return file;
  const ready = withLens(await jpeg.arrayBuffer(), lens);
  return new File([ready], "photo.jpg", { type: "image/jpeg" });
}

function show(form, file) {
  const place = form.querySelector(`[data-preview="${file.field}"]`) || form.querySelector("[data-preview]");
  if (!place) return;
  const image = document.createElement("img");
  image.className = "preview";
  image.alt = "";
  image.src = URL.createObjectURL(file.content);
  place.replaceChildren(image);
}

for (const form of document.querySelectorAll("form[data-shrink]")) {
  const working = new Set();
  for (const input of form.querySelectorAll("input[type=file]")) {
    input.addEventListener("change", () => {
      const [file] = input.files;
      if (!file) return;
      const work = shrunk(file)
        .then((small) => {
          const bag = new DataTransfer();
          bag.items.add(small);
          input.files = bag.files;
          show(form, { field: input.name, content: small });
        })
        .catch(() => {}) // a kind of picture this browser cannot open: it is sent as it is
        .finally(() => working.delete(work));
      working.add(work);
    });
  }
  form.addEventListener("submit", async (event) => {
    const status = form.querySelector("[data-status]");
    if (status) status.textContent = form.dataset.busy;
    if (!working.size) return;
    event.preventDefault();
    await Promise.all(working);
    form.submit();
  });
}
