// A second press while the answer is on its way sends nothing: it would make two children of one, or accept twice.
"use strict";

(() => {
  const SAME_WISH_MS = 5000; // then a press is a new one: where the answer is a file, the page stays
  let sent = new WeakMap();
  addEventListener("pageshow", () => { sent = new WeakMap(); });
  addEventListener("submit", (event) => {
    if (event.defaultPrevented || event.target.method !== "post") return; // another script sees to it
    if (Date.now() - (sent.get(event.target) ?? -Infinity) < SAME_WISH_MS) event.preventDefault();
    else sent.set(event.target, Date.now());
  });
})();
