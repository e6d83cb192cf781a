// A page that waits for a photo to be measured looks now and then whether it is, and loads anew when there is something
// else to read. One that loaded itself anew every few seconds would be read out from its top each time, and nobody could
// stop it (WCAG 2.2, 2.2.1).
"use strict";

(() => {
  const EVERY_MS = 2000;
  const waiting = (page) => page.querySelector("[data-waiting]")?.dataset.waiting;
  const known = waiting(document);
  async function look() {
    const answer = await fetch(location.href, { headers: { "X-Fresh": "1" } }).catch(() => null);
    const isSaid = answer && answer.status !== 429 && answer.status < 500; // else the service cannot say just now
    const fresh = isSaid && new DOMParser().parseFromString(await answer.text(), "text/html");
    if (fresh && waiting(fresh) !== known) location.reload();
    else setTimeout(look, EVERY_MS);
  }
  setTimeout(look, EVERY_MS);
})();
