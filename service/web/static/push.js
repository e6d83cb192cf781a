// "Tell me on this device": the switch on the account's page. On every page of a teacher a browser that is told is noted
// as part of the present sign-in, so that it is still told after the teacher signed in anew.
"use strict";

(() => {
  const WORKER = "/f/worker.js"; // that of the family's pages; what it is told does not depend on where it stands
  const SCOPE = "/f/";
  const part = document.querySelector("[data-push]");
  const token = document.querySelector("[name=form_token]")?.value;
  const able = isSecureContext && navigator.serviceWorker && globalThis.PushManager && globalThis.Notification;

  async function post(what, fields) {
    const body = new URLSearchParams({ form_token: token, ...fields });
    const answer = await fetch(`/account/push/${what}`, { method: "POST", body });
    if (!answer.ok || answer.redirected) throw new Error(`${answer.status}`);
    return answer.json();
  }
  const subscribed = async () => (await navigator.serviceWorker.getRegistration(SCOPE))?.pushManager.getSubscription();

  // A browser subscribes only once its worker is at work.
  async function atWork() {
    const registration = await navigator.serviceWorker.register(WORKER, { scope: SCOPE });
    const worker = registration.active || registration.waiting || registration.installing;
    if (worker.state === "activated") return registration;
    await new Promise((done, failed) => {
      worker.addEventListener("statechange", () => {
        if (worker.state === "activated") done();
        if (worker.state === "redundant") failed(new Error(worker.state));
      });
    });
    return registration;
  }

  async function state() {
    if (!able) return navigator.standalone === false ? "install" : "unable"; // a phone that wants it on its screen first
    if (Notification.permission === "denied") return "refused";
    const known = await subscribed();
    return known && (await post("seen", { endpoint: known.endpoint })).on ? "on" : "off";
  }

  async function switchOn() {
    if ((await Notification.requestPermission()) !== "granted") return;
    const { pushManager } = await atWork();
    await (await pushManager.getSubscription())?.unsubscribe(); // one of another key would be in the way
    const fresh = await pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: part.dataset.push });
    const { endpoint, keys } = fresh.toJSON();
    await post("on", { endpoint, point: keys.p256dh, auth: keys.auth });
  }

  async function switchOff() {
    const known = await subscribed();
    if (!known) return;
    await post("off", { endpoint: known.endpoint });
    await known.unsubscribe();
  }

  function show(now) {
    for (const each of part.querySelectorAll("[data-when]")) each.hidden = !each.dataset.when.split(" ").includes(now);
  }

  if (!part) {
    if (able && token && Notification.permission === "granted") state().catch(() => {});
    return;
  }
  for (const [name, work] of [["on", switchOn], ["off", switchOff]]) {
    const button = part.querySelector(`[data-switch=${name}]`);
    button.addEventListener("click", async () => {
      button.disabled = true;
      try {
        await work();
        show(await state());
        part.querySelector("button:not([hidden])")?.focus();
      } catch {
        show("failed");
      }
      button.disabled = false;
    });
  }
  state().then(show, () => show("failed"));
})();
