// Keeps photos on the phone until the service has confirmed them. A photo is put into the browser's own database before
// it is sent and taken out when the answer says that it has arrived; a lost connection, a reload or a closed page in
// between lose nothing, and the key that goes with it makes a photo sent twice one photo. Without this script, or where
// the browser keeps nothing, a form is sent the plain way.
"use strict";

(() => {
  const place = document.querySelector("[data-outbox]");
  if (!place || !globalThis.indexedDB) return;
  const base = place.dataset.outbox; // the address of this family's pages
  const words = JSON.parse(place.dataset.words);
  const OLDEST_MS = 14 * 24 * 3600e3; // as long as a link is open by default
  const FIRST_WAIT_S = 3;
  const LONGEST_WAIT_S = 60;

  const opened = new Promise((done, failed) => {
    const asked = indexedDB.open("scrollreach", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore("photos", { keyPath: "key" });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  opened.catch(() => {}); // a browser that keeps nothing; said where it is used
  const store = async (mode, work) => {
    const change = (await opened).transaction("photos", mode);
    const asked = work(change.objectStore("photos"));
    return new Promise((done, failed) => {
      change.oncomplete = () => done(asked.result);
      change.onabort = change.onerror = () => failed(change.error);
    });
  };
  const keep = (entry) => store("readwrite", (photos) => photos.put(entry));
  const drop = (key) => store("readwrite", (photos) => photos.delete(key));
  const kept = async () => (await store("readonly", (photos) => photos.getAll())).filter((each) => each.base === base);

  function attempt(entry, moved) {
    const form = new FormData();
    for (const [name, value] of entry.fields) form.append(name, value);
    for (const [name, file, called] of entry.files) form.append(name, file, called);
    return globalThis.sending.attempt(entry.address, form, moved);
  }

  let wake = () => {};
  addEventListener("online", () => wake());
  const pause = (seconds) =>
    new Promise((done) => {
      const timer = setTimeout(done, seconds * 1000);
      wake = () => {
        clearTimeout(timer);
        done();
      };
    });

  function tell(status, text, ...buttons) {
    status.replaceChildren(text, ...buttons);
  }
  function button(text, pressed) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "button quiet slim";
    made.textContent = text;
    made.addEventListener("click", pressed);
    return made;
  }

  // Tries until the photo has arrived or never will.
  async function deliver(entry, status) {
    const percent = new Intl.NumberFormat(document.documentElement.lang, { style: "percent" });
    for (let wait = FIRST_WAIT_S; ; wait = Math.min(2 * wait, LONGEST_WAIT_S)) {
      const result = await attempt(entry, (share) =>
        tell(status, share < 1 ? words.sending.replace("%(share)s", percent.format(share)) : words.measuring),
      );
      if (result.arrived || result.refused) {
        await drop(entry.key);
        return result;
      }
      tell(status, result.lost ? words.lost : words.busy, document.createElement("br"), button(words.now, () => wake()));
      await pause(result.again || wait);
    }
  }

  // Takes over a form, or photos without one; false where this browser cannot keep them.
  async function send(entry, status) {
    try {
      await keep(entry);
    } catch {
      return false;
    }
    const result = await deliver(entry, status);
    if (result.arrived) location.assign(result.arrived);
    else globalThis.sending.show(result.refused);
    return true;
  }
  const entryOf = (address, fields, files) => ({
    key: new Map(fields).get("client_key"),
    base,
    address,
    fields,
    files,
    at: Date.now(),
  });
  const sending = new Set();
  addEventListener("pageshow", () => sending.clear());
  globalThis.outbox = {
    post(form, status) {
      const all = [...new FormData(form)];
      const files = all.filter(([, value]) => value instanceof File && value.name); // one that was not chosen has none
      if (!files.length) return false;
      if (sending.has(form)) return true; // pressed twice
      sending.add(form);
      // A key for what is sent now: whoever comes back to this page and sends another photo sends another photo.
      const key = [...crypto.getRandomValues(new Uint8Array(16))].map((each) => each.toString(16).padStart(2, "0"));
      const typed = all.filter(([name, value]) => typeof value === "string" && name !== "client_key");
      const fields = [...typed, ["client_key", key.join("")]];
      return send(entryOf(form.action, fields, files.map(([name, file]) => [name, file, file.name])), status);
    },
  };

  // What an earlier visit could not send is sent now, and said so; what is too old, or no longer wanted, is deleted.
  async function takeUp() {
    const waiting = await kept();
    if ("outboxForget" in place.dataset) {
      for (const entry of waiting) await drop(entry.key);
      return;
    }
    for (const entry of waiting) {
      if (Date.now() - entry.at > OLDEST_MS) {
        await drop(entry.key);
        continue;
      }
      const note = document.createElement("div");
      note.className = "note care";
      const said = document.createElement("p");
      const status = document.createElement("p");
      said.textContent = words.waiting;
      status.setAttribute("role", "status");
      const away = button(words.drop, async () => {
        await drop(entry.key);
        location.reload();
      });
      note.append(said, status, away);
      place.append(note);
      place.hidden = false;
      const result = await deliver(entry, status);
      note.className = result.arrived ? "note good" : "note bad";
      away.remove();
      const link = document.createElement("a");
      link.href = result.arrived || base;
      link.textContent = words.see;
      said.textContent = result.arrived ? words.sent : words.refused;
      status.replaceChildren(...(result.arrived ? [link] : []));
    }
  }
  takeUp().catch(() => {});

  if (navigator.serviceWorker && globalThis.caches && !("outboxForget" in place.dataset)) {
    addEventListener("load", () => {
      navigator.serviceWorker.register("/f/worker.js", { scope: "/f/" }).catch(() => {});
      const language = encodeURIComponent(document.documentElement.lang);
      caches
        .open("scrollreach")
        .then(async (cache) => cache.put("/f/offline", await fetch(`/f/offline?language=${language}`)))
        .catch(() => {});
    });
  }
})();
