// Whether this browser can help with the camera: only then is the help offered; else all stays as it is.
// The pages that offer it wait for this before they draw anything, so that nothing moves when it is there.
"use strict";

globalThis.cameraHelps = () =>
  Boolean(
    isSecureContext &&
      navigator.mediaDevices?.getUserMedia &&
      globalThis.OffscreenCanvas &&
      globalThis.createImageBitmap &&
      globalThis.WebAssembly &&
      globalThis.Worker,
  );
document.documentElement.classList.toggle("camera-helps", globalThis.cameraHelps());
