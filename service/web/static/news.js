// A teacher's open page brings itself up to date when photos arrive: parts marked data-fresh are fetched anew.
"use strict";

const page = document.querySelector("[data-mark]");
const said = document.querySelector("[data-news]");
let known = page?.dataset.mark;
let source = null;

async function refresh() {
  const answer = await fetch(location.href, { headers: { "X-Fresh": "1" } });
  if (!answer.ok || answer.redirected) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
  for (const part of document.querySelectorAll("[data-fresh]")) {
    const now = fresh.getElementById(part.id);
    if (!now || now.innerHTML === part.innerHTML || part.contains(document.activeElement)) continue;
    part.replaceChildren(...document.importNode(now, true).childNodes);
    if (said) said.textContent = said.dataset.news;
  }
  document.title = fresh.title;
}

function listen() {
  if (document.hidden || source) return;
  source = new EventSource("/news");
  source.onmessage = ({ data }) => {
    if (data === known) return;
    known = data;
    refresh().catch(() => {});
  };
  const gone = () => {
    source?.close();
    source = null;
    globalThis.renewed?.(); // signed_in.js: says so
  };
  source.addEventListener("signed-out", gone);
  source.onerror = () => { if (source?.readyState === EventSource.CLOSED) gone(); }; // refused; else it asks anew
}

if (page && page.dataset.mark && window.EventSource) {
  listen();
  addEventListener("signed-in", listen);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) { source?.close(); source = null; } else listen();
  });
}
