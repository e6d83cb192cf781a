// The page that is shown without a connection: it goes on by itself when the service answers again.
"use strict";

const EVERY_MS = 4000;

const again = () => location.reload();
const look = () => fetch("/f/offline", { cache: "no-store" }).then((answer) => answer.ok && again(), () => {});
addEventListener("online", look);
setInterval(look, EVERY_MS);
document.querySelector("[data-reload]").addEventListener("click", again);
