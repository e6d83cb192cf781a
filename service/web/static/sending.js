// Sends a form from where it stands.
"use strict";

globalThis.sending = (() => {
  const SILENT_MS = 45e3; // a line that moves nothing for so long is taken for dead; the service answers within 10 s

  // One try: where it arrived, or what it was refused with, or what stands in the way.
  function attempt(address, form, moved) {
    return new Promise((done) => {
      const request = new XMLHttpRequest();
      let silence;
      const heard = () => {
        clearTimeout(silence);
        silence = setTimeout(() => request.abort(), SILENT_MS);
      };
      request.open("POST", address);
      request.upload.onprogress = (event) => {
        heard();
        moved(event.lengthComputable ? event.loaded / event.total : 0);
      };
      request.upload.onload = () => moved(1);
      request.onreadystatechange = heard;
      request.onloadend = () => {
        clearTimeout(silence);
        const { status } = request;
        if (status === 0) done({ lost: true });
        else if (status >= 500 || status === 408 || status === 429) done({ busy: true, again: +request.getResponseHeader("Retry-After") });
        else if (status === 200) done({ arrived: request.responseURL, answer: request.responseText });
        else done({ refused: request.responseText, status });
      };
      heard();
      request.send(form);
    });
  }

  // Shows an answer in this page.
  function show(answer) {
    const page = new DOMParser().parseFromString(answer, "text/html");
    const main = page.querySelector("main");
    if (!main) return;
    document.title = page.title;
    document.querySelector("main").replaceWith(document.adoptNode(main));
    globalThis.helpForms?.(); // photo.js
    (main.querySelector("[role=alert]") || main).scrollIntoView();
  }

  return { attempt, show };
})();
