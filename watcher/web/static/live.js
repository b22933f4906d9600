// Keeps the progress of a pool's work on this page up to date. The page is whole without it.
// The numbers change silently: a screen reader is told only when the work ended or cannot be seen.
"use strict";
(() => {
  const place = document.querySelector("[data-live]");
  const status = document.querySelector("[data-live-status]");
  if (!place || !status) return;
  const every = 60 * 1000;
  const say = (text) => {
    if (status.textContent !== text) status.textContent = text;
  };
  const put = (name, part) => {
    for (const field of document.querySelectorAll(`[data-live-part="${name}"]`)) {
      const time = field.querySelector("time");
      (time || field).textContent = part.text;
      if (time && part.stamp) {
        time.dateTime = part.stamp;
        time.dataset.full = part.full;
      }
    }
  };
  let timer = 0;
  const look = async () => {
    if (document.hidden) return;
    try {
      const answer = await fetch(place.dataset.live, { cache: "no-store", redirect: "error" });
      if (!answer.ok) throw new Error(String(answer.status));
      const seen = await answer.json();
      for (const [name, part] of Object.entries(seen.parts)) put(name, part);
      say(seen.says);
      if (!seen.runs) {
        clearInterval(timer);
        document.removeEventListener("visibilitychange", look);
      }
    } catch (why) {
      say("The progress here cannot be brought up to date. Load the page anew.");
    }
  };
  timer = setInterval(look, every);
  document.addEventListener("visibilitychange", look);
})();
