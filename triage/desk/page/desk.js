"use strict";
// Live updates. Everything else on the pages works without this file. No text of a
// patient is kept here; what has changed is fetched as the server writes it.
(() => {
  const said = document.getElementById("said");
  const line = document.getElementById("line");
  const sound = document.getElementById("try");
  const title = document.title;
  const silence = 45000; // milliseconds without a word from the server: three beats
  let before = null, source = null, heard = 0, audio = null, again = 1000;

  const banner = document.createElement("p");
  banner.id = "lost";
  banner.setAttribute("role", "alert");
  banner.hidden = true;
  document.body.prepend(banner);

  function tone() {
    audio = audio || new AudioContext();
    audio.resume();
    for (let i = 0; i < 3; i++) {
      const wave = audio.createOscillator(), loud = audio.createGain();
      wave.frequency.value = 880;
      loud.gain.value = 0.2;
      wave.connect(loud).connect(audio.destination);
      wave.start(audio.currentTime + i * 0.35);
      wave.stop(audio.currentTime + i * 0.35 + 0.2);
    }
    document.body.dataset.sounded = Number(document.body.dataset.sounded || 0) + 1;
  }
  if (sound) {
    sound.hidden = false;
    sound.addEventListener("click", tone);
  }

  async function refresh() {
    for (const part of document.querySelectorAll("[data-fetch]")) {
      const focus = part.contains(document.activeElement) ? document.activeElement.closest("form, a") : null;
      const at = focus && (focus.getAttribute("action") || focus.getAttribute("href"));
      const res = await fetch(part.dataset.fetch, { credentials: "same-origin", redirect: "manual" });
      if (!res.ok) { if (res.type === "opaqueredirect") location.reload(); return; }
      part.innerHTML = await res.text();
      const back = at && part.querySelector(`form[action="${CSS.escape(at)}"] button, a[href="${CSS.escape(at)}"]`);
      if (back) back.focus();
    }
  }

  function told(now) {
    heard = Date.now();
    again = 1000;
    if (!banner.hidden) { banner.hidden = true; before = before && { ...before, last: -1 }; }
    if (line) line.textContent = line.dataset.up;
    document.title = (now.emergencies ? `⚠ ${now.emergencies} ` : now.all ? `(${now.all}) ` : "") + title;
    if (before && now.newest > before.newest && said) said.textContent = said.dataset.case;
    if (before && now.emergencies > before.emergencies) {
      if (said) said.textContent = said.dataset.grave;
      tone();
    }
    if (before && now.last !== before.last) refresh();
    before = now;
  }

  function lost() {
    if (source) source.close();
    source = null;
    banner.textContent = document.body.dataset.lost;
    banner.hidden = false;
    if (line) line.textContent = line.dataset.down;
    setTimeout(connect, again);
    again = Math.min(again * 2, 15000);
  }

  function connect() {
    if (source) return;
    heard = Date.now();
    source = new EventSource("/live");
    source.onmessage = e => told(JSON.parse(e.data));
    source.onerror = lost;
  }

  if (document.body.dataset.live) {
    connect();
    setInterval(() => { if (source && Date.now() - heard > silence) lost(); }, 5000);
    setInterval(() => { if (source) refresh(); }, 60000);
  }
})();
