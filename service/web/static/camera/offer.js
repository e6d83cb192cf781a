// Whether this browser can help with the camera: only then is the help offered; else all stays as it is.
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
for (const offer of document.querySelectorAll("[data-camera-offer]")) offer.hidden = !globalThis.cameraHelps();
