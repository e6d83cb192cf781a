// A button that hands a page of ours on: by the phone's own way of sharing, else by copying its address; hidden where
// the browser can do neither.
"use strict";

for (const button of document.querySelectorAll("[data-share]")) {
  const url = new URL(button.dataset.share, location.href).href;
  const { title, copied } = button.dataset;
  const words = button.textContent;
  if (!navigator.share && !navigator.clipboard) continue;
  button.hidden = false;
  button.setAttribute("aria-live", "polite");
  button.addEventListener("click", async () => {
    if (navigator.share) return void navigator.share({ title, url }).catch(() => {}); // put away again: nothing to say
    await navigator.clipboard.writeText(url);
    button.textContent = copied;
    setTimeout(() => {
      button.textContent = words;
    }, 2500);
  });
}
