// Sends a form marked data-stay: what is chosen there stays chosen until it has arrived.
"use strict";

globalThis.stay = async (form, status) => {
  const words = JSON.parse(form.dataset.stay);
  const percent = new Intl.NumberFormat(document.documentElement.lang, { style: "percent" });
  const tell = (share) => { status.textContent = share < 1 ? words.sending.replace("%(share)s", percent.format(share)) : words.arrived; };
  const { attempt, show } = globalThis.sending;
  const once = () => attempt(form.action, new FormData(form), tell);
  status.className = "fine";
  form.setAttribute("aria-busy", "true");
  let result = await once();
  if ([401, 403].includes(result.status) && (await globalThis.renewed?.())) result = await once();
  form.removeAttribute("aria-busy");
  if (result.arrived === form.action) show(result.answer);
  else if (result.arrived) location.assign(result.arrived);
  else if (result.lost || result.busy || result.status === 401) {
    status.className = "note care";
    status.textContent = result.lost ? words.lost : result.busy ? words.busy : form.dataset.ended;
  } else show(result.refused);
};
