// A teacher's page that outlives its sign-in says so, and loses nothing: once somebody has signed in again, in another
// tab, its forms take the token of that sign-in. Without a connection a form is not sent: the browser's own page would
// take the place of what was written.
"use strict";

(() => {
  const words = document.querySelector("template[data-signed-out]");
  const LONG_MS = 15 * 60e3; // a tab that comes back after so long, or is sent from after so long, asks first
  let left = Date.now();
  let asked = Date.now();
  let note = null;

  // The token of forms; null where nobody is signed in, undefined where that cannot be known just now.
  async function token() {
    const answer = await fetch("/account", { headers: { "X-Fresh": "1" } }).catch(() => null);
    if (!answer?.ok) return undefined;
    if (answer.redirected && new URL(answer.url).pathname === "/sign-in") return null;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    return page.querySelector("[name=form_token]")?.value;
  }

  function say(ended) {
    note?.remove();
    note = ended ? words.content.firstElementChild.cloneNode(true) : null;
    if (note) document.querySelector("main").prepend(note);
    // What the keyboard comes to is not scrolled beneath it.
    document.documentElement.style.scrollPaddingTop = note ? `${note.offsetHeight}px` : "";
  }

  // Whether there is another sign-in since, which this page belongs to from now on.
  globalThis.renewed = async () => {
    const now = await token();
    asked = Date.now();
    if (now !== undefined) say(now === null);
    const fields = [...document.querySelectorAll("[name=form_token]")];
    if (!now || fields.every((each) => each.value === now)) return false;
    for (const each of fields) each.value = now;
    dispatchEvent(new Event("signed-in"));
    return true;
  };

  const back = () => {
    if (document.hidden) left = Date.now();
    else if (note || Date.now() - left > LONG_MS) globalThis.renewed();
  };
  const lost = document.querySelector("template[data-no-connection]").content.firstElementChild;
  addEventListener("submit", (event) => {
    const { target, submitter } = event;
    lost.remove();
    const ask = note || Date.now() - asked > LONG_MS;
    if (target.method !== "post" || "stay" in target.dataset) return; // stay.js says it itself
    if (navigator.onLine && !ask) return;
    event.preventDefault();
    event.stopImmediatePropagation();
    if (navigator.onLine) {
      const sent = () => (note ? note.scrollIntoView({ block: "nearest" }) : target.requestSubmit(submitter));
      globalThis.renewed().then(sent);
    } else {
      (submitter || target.lastElementChild).after(lost);
      lost.scrollIntoView({ block: "nearest" });
    }
  }, true);
  document.addEventListener("visibilitychange", back);
  addEventListener("focus", back);
})();
