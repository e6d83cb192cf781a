// The chart's picture follows while its numbers are edited; without this script a button shows it.
"use strict";

const WAIT_MS = 250;

for (const form of document.querySelectorAll("form[data-chart]")) {
  const picture = form.querySelector("[data-chart-picture]");
  let timer = 0;
  let asked = 0;
  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(async () => {
      const mine = ++asked;
      const answer = await fetch(form.dataset.chart, { method: "POST", body: new FormData(form) });
      if (answer.ok && mine === asked) picture.innerHTML = await answer.text(); // made by our own server, escaped
    }, WAIT_MS);
  });
}
