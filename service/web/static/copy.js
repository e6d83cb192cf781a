// A button that copies a link; it stays hidden where the browser does not allow copying.
"use strict";

for (const button of document.querySelectorAll("[data-copy]")) {
  if (!navigator.clipboard) continue;
  button.hidden = false;
  button.setAttribute("aria-live", "polite");
  const words = button.textContent;
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(button.dataset.copy);
    } catch {
      return getSelection().selectAllChildren(document.querySelector(".link")); // not allowed: it is copied by hand
    }
    button.textContent = button.dataset.done;
    setTimeout(() => { button.textContent = words; }, 2500);
  });
}
