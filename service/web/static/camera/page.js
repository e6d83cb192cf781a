// The camera page: a live picture that says one thing at a time and takes the views itself. Nothing leaves the phone
// before the parent has seen the photos and sends them; they then go the way of every photo (outbox.js).
"use strict";

(() => {
  const stage = document.querySelector("[data-camera]");
  const words = JSON.parse(stage.dataset.words);
  const { kind } = stage.dataset;
  const needsSheet = stage.dataset.reference === "";
  const MOST = Number(stage.dataset.most);
  const GOOD_IN_A_ROW = 2; // checks before a view is taken, and they span STEADY_MS: few, for slow phones
  const STEADY_MS = 500; // held still for so long: a hand that shakes turns round within it (8-12 Hz, from memory)
  const REST_MS = 1200; // after a view, so that it is seen that one was taken
  const REST_UNKNOWN_MS = 5000; // the same where no sheet tells whether anybody has stepped aside
  const SAME_HINT = 2; // checks that must agree before another sentence is shown: nobody reads flickering words
  const QUALITY = 0.92;
  // A JPEG's comment, in its segment: a live picture is cut from the camera's as a film is, and states no focal length.
  const COMMENT = "frame of a live picture";
  const LIVE = Uint8Array.from([0xff, 0xfe, 0, COMMENT.length + 2, ...[...COMMENT].map((each) => each.charCodeAt(0))]);

  const find = (name) => stage.querySelector(`[data-${name}]`);
  const [video, said, outline, taken, start, enough] = ["live", "said", "outline", "taken", "start", "enough"].map(find);
  const form = find("send");
  const percent = new Intl.NumberFormat(document.documentElement.lang, { style: "percent" });

  let stream;
  let worker;
  let recent = []; // what was seen within STEADY_MS, at least the last
  let views = []; // photo and where it was taken from
  let good = []; // when the checks in a row were, ms
  let wished = ["", 0];
  let restUntil = 0;
  let checks = [];
  let turn = 0; // how often the camera was begun or stopped: what an earlier turn began is not carried on

  const show = (state) => {
    stage.dataset.state = state;
  };
  const say = (text, tone = "") => {
    if (said.textContent !== text) said.textContent = text;
    said.dataset.tone = tone;
  };
  const stop = () => {
    turn += 1;
    for (const track of stream ? stream.getTracks() : []) track.stop();
    if (worker) worker.terminate();
    stream = worker = undefined;
  };
  const fail = (text) => {
    stop();
    show("failed");
    say(text, "bad");
  };

  // Nothing more is seen: the camera was taken away, or the looking failed. What was taken can be sent all the same.
  const over = (text) => (views.length ? finish() : fail(text));

  async function begin() {
    stop();
    const mine = turn;
    [views, recent, good, checks, wished, restUntil] = [[], [], [], [], ["", 0], 0];
    taken.replaceChildren();
    enough.hidden = true;
    delete stage.dataset.hint;
    show("loading");
    say(words.asking);
    let opened;
    try {
      opened = await navigator.mediaDevices.getUserMedia({
        audio: false,
        video: { facingMode: { ideal: "environment" }, width: { ideal: 2560 }, height: { ideal: 1440 } },
      });
    } catch {
      if (turn === mine) fail(words.denied);
      return;
    }
    if (turn !== mine) {
      for (const track of opened.getTracks()) track.stop();
      return;
    }
    stream = opened;
    for (const track of stream.getTracks()) track.addEventListener("ended", () => over(words.denied));
    stage.scrollIntoView({ block: "start" });
    video.srcObject = stream;
    await video.play().catch(() => {});
    if (turn !== mine) return;
    const loading = (share) => say(words.loading.replace("%(share)s", percent.format(share)));
    loading(0);
    worker = new Worker(stage.dataset.worker);
    const broken = () => turn === mine && over(stage.dataset.state === "loading" ? words.unloaded : words.failed);
    worker.onerror = broken;
    worker.onmessage = ({ data }) => {
      if (data.failed) broken();
      else if (data.loading) loading(data.loading);
      else if (data.ready) {
        show("live");
        say("");
        look();
      } else take(data.seen).catch(broken);
    };
    const { markers, modelBytes } = stage.dataset;
    worker.postMessage({ begin: { kind, markers, modelBytes: Number(modelBytes) } });
  }

  async function look() {
    if (!worker || stage.dataset.state !== "live") return;
    const asleep = stream.getVideoTracks().some((track) => track.muted); // then the last picture stands still
    if (video.readyState < 2 || video.paused || document.hidden || asleep) return void setTimeout(look, 100);
    const bitmap = await createImageBitmap(video).catch(() => null); // between two pictures there may be none
    if (!bitmap) return void setTimeout(look, 100);
    if (worker) worker.postMessage({ look: { bitmap, time: performance.now(), needsSheet } }, [bitmap]);
    else bitmap.close();
  }

  // Shows a sentence once two checks in a row wish it.
  function wish(code) {
    wished = [code, wished[0] === code ? wished[1] + 1 : 1];
    if (wished[1] >= SAME_HINT) {
      stage.dataset.hint = code;
      say(words[code], code === "still" || code === "good" || code === "next" ? "good" : "");
    }
  }

  async function take(seen) {
    if (stage.dataset.state !== "live") return;
    const now = performance.now();
    checks = [...checks.filter((each) => now - each < 2000), now];
    if (checks.length > 2) stage.dataset.rate = ((checks.length - 1) / ((now - checks[0]) / 1000)).toFixed(1);
    outline.setAttribute("viewBox", `0 0 ${seen.width} ${seen.height}`);
    outline.firstElementChild.setAttribute("points", seen.sheet ? seen.sheet.corners.flat().join(" ") : "");
    const code = Checks.hint(seen, kind, { needsSheet, earlier: recent.map((each) => each.seen) });
    recent = [...recent.filter((each, i) => i === recent.length - 1 || now - each.time < STEADY_MS), { time: now, seen }];
    if (now < restUntil) return void look();
    const places = views.map((each) => each.place);
    if ((code === "good" || code === "still") && !Checks.isNew(seen.place, places)) {
      good = [];
      wish("next");
      return void look();
    }
    good = code === "good" ? [...good, now] : [];
    wish(code === "good" ? "still" : code);
    if (good.length >= GOOD_IN_A_ROW && now - good[0] >= STEADY_MS) {
      good = [];
      await keep(seen);
    }
    look();
  }

  async function keep(seen) {
    const canvas = document.createElement("canvas");
    [canvas.width, canvas.height] = [video.videoWidth, video.videoHeight];
    canvas.getContext("2d").drawImage(video, 0, 0);
    const mine = turn;
    const jpeg = await new Promise((done) => canvas.toBlob(done, "image/jpeg", QUALITY));
    if (!jpeg || turn !== mine) return; // "Enough" was pressed meanwhile
    views.push({ photo: new Blob([jpeg.slice(0, 2), LIVE, jpeg.slice(2)], { type: "image/jpeg" }), place: seen.place });
    const item = document.createElement("li");
    const image = document.createElement("img");
    image.src = URL.createObjectURL(jpeg);
    image.alt = words.view.replace("%(number)s", views.length);
    item.append(image);
    taken.append(item);
    enough.hidden = false;
    if (navigator.vibrate) navigator.vibrate(80);
    if (views.length >= MOST) return finish();
    say(words.next, "good");
    wished = ["next", SAME_HINT];
    stage.dataset.hint = "next";
    restUntil = performance.now() + (seen.place ? REST_MS : REST_UNKNOWN_MS);
  }

  function finish() {
    stop();
    show("shown");
    say(views.length > 1 ? words.several : words.one, "good");
    const bag = new DataTransfer();
    views.forEach(({ photo }, i) => bag.items.add(new File([photo], `view-${i + 1}.jpg`, { type: "image/jpeg" })));
    form.elements.photo_chosen.files = bag.files;
    form.querySelector("[data-now]").focus();
  }

  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    form.setAttribute("aria-busy", "true");
    const status = form.querySelector("[data-status]");
    status.textContent = form.dataset.busy;
    if (!globalThis.outbox || !(await globalThis.outbox.post(form, status))) form.submit();
  });
  start.addEventListener("click", begin);
  stage.querySelector("[data-anew]").addEventListener("click", begin);
  enough.addEventListener("click", finish);
  addEventListener("pagehide", stop);
  addEventListener("pageshow", ({ persisted }) => {
    if (!persisted || !["live", "loading"].includes(stage.dataset.state)) return; // the camera was let go with the page
    if (views.length) finish();
    else show("start");
  });
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden && stream) video.play().catch(() => {}); // phones stop it while another page is shown
  });
  if (globalThis.cameraHelps?.()) start.disabled = false; // not before somebody listens: a press would be lost
  else {
    start.hidden = true;
    fail(words.failed);
  }
})();
