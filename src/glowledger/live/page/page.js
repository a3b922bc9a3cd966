"use strict";
// Shows the news of the run and sends remarks. Text from the run is only ever set as text, never as markup.

(() => {
  const $ = (id) => document.getElementById(id);
  const token = new URLSearchParams(location.search).get("token") || "";
  const RETRY_MS = [250, 500, 1000, 2000]; // the last one again and again
  const SILENT_S = 10;
  let socket = null, tries = 0, lastNews = 0, lastFrame = -1, frameAt = 0, over = "", dialogOpen = false;

  const store = { // a browser may forbid it
    get: (name) => { try { return localStorage.getItem(name); } catch { return null; } },
    set: (name, value) => { try { localStorage.setItem(name, value); } catch { /* not kept */ } },
  };

  // colours

  const system = matchMedia("(prefers-color-scheme: dark)");
  const THEMES = { system: "as the system", light: "light", dark: "dark" };
  let theme = store.get("glowledger colours") in THEMES ? store.get("glowledger colours") : "system";
  function paint() {
    const dark = theme === "dark" || (theme === "system" && system.matches);
    document.documentElement.dataset.theme = dark ? "dark" : "light";
    $("theme").textContent = `Colours: ${THEMES[theme]}`;
    Draw.paint(dark);
    Draw.redraw();
    if (rows.length) showRows(rows);
  }
  function nextTheme() {
    const names = Object.keys(THEMES);
    theme = names[(names.indexOf(theme) + 1) % names.length];
    store.set("glowledger colours", theme);
    paint();
  }

  // news

  function text(id, value) { if ($(id).textContent !== value) $(id).textContent = value; }

  function show(news) {
    if (news.axis && news.axis.axis) Draw.takeAxis(news.axis);
    if (news.features && news.features.features) Draw.takeFeatures(news.features);
    if (news.glance) showGlance(news.glance);
    if (news.spectrum && news.spectrum.counts) { Draw.takeSpectrum(news.spectrum); $("fit-key").hidden = !news.spectrum.fit.length; }
    if (news.trend && news.trend.now) showTrend(news.trend);
    if (news.glow && news.glow.looks) showGlow(news.glow);
    if (news.colour && news.colour.text) showColour(news.colour);
    if (news.events && news.events.events) showEvents(news.events);
    if (news.remarks && news.remarks.remarks) showRemarks(news.remarks);
  }

  function showGlance(g) {
    document.body.dataset.verdict = g.verdict;
    document.body.dataset.busy = g.busy;
    text("name", g.name); text("verdict", g.verdict); showLeft(g.left); text("left-is", g.left_is);
    text("interval", g.interval); text("reason", g.reason); text("more", g.more);
    text("notice", g.notice); $("notice").hidden = !g.notice; text("frame", String(g.frame)); text("time", g.time);
    text("flash-count", g.flashes ? `${g.flashes} flash${g.flashes > 1 ? "es" : ""}` : "");
    $("bar").hidden = g.part === null;
    if (g.part !== null) {
      $("bar").firstElementChild.style.width = `${(100 * g.part).toFixed(1)}%`;
      $("bar").setAttribute("aria-valuenow", String(Math.round(100 * g.part)));
    }
    document.title = `${g.verdict}${g.left ? `, ${g.left} ${g.left_is}` : ""} – ${g.name}`;
    if (g.frame !== lastFrame) { lastFrame = g.frame; frameAt = performance.now(); }
    over = g.ended || "";
    link(over ? "ended" : "live");
  }

  function showLeft(words) { // numbers large, units small: '1 h 25 min' is then read from afar
    if ($("left").textContent === words) return;
    $("left").replaceChildren(...words.split(/(\d+)/).filter((w) => w !== "").map((word) => {
      const part = document.createElement(/\d/.test(word) ? "b" : "small");
      part.textContent = word;
      return part;
    }));
  }

  let rows = [];
  function showTrend(t) {
    Draw.takeTrend(t);
    text("reference", t.reference || "the reference");
    text("per-row", t.per_row > 1 ? `, each point the mean of ${t.per_row} frames` : "");
    showRows(t.now);
    $("trend").setAttribute("aria-label", `Indicators over time: ${t.now.map((r) => `${r.name} is ${r.part} of its start`).join("; ")}`);
  }
  function showRows(now) {
    rows = now;
    const body = $("now").tBodies[0];
    while (body.rows.length > now.length) body.deleteRow(-1);
    now.forEach((row, i) => {
      const tr = body.rows[i] || body.insertRow();
      while (tr.cells.length < 4) tr.insertCell();
      const theme = document.documentElement.dataset.theme;
      if (tr.dataset.name !== row.name || tr.dataset.theme !== theme) {
        tr.dataset.name = row.name; tr.dataset.theme = theme;
        tr.cells[0].replaceChildren(Draw.sample(i), document.createTextNode(row.name));
      }
      [row.value, row.part, row.verdict].forEach((value, k) => {
        if (tr.cells[k + 1].textContent !== value) tr.cells[k + 1].textContent = value;
      });
    });
  }

  function item(words) { const li = document.createElement("li"); li.textContent = words; return li; }

  function showGlow(g) { // of each look what glows, then what that may mean
    const lines = g.looks.flatMap((look) => look.said.map((words, i) => [words, i > 0]));
    list("glow", lines, ([words, finding]) => { const li = item(words); if (finding) li.className = "is-finding"; return li; });
    list("glow-cautions", g.cautions, item);
  }

  function showColour(c) {
    $("swatch").style.background = c.srgb || "";
    text("colour", c.text);
    list("colour-cautions", c.cautions, item);
  }

  function list(id, items, made) { $(id).replaceChildren(...items.map(made)); }

  function entry(time, head, words, alarm) {
    const li = document.createElement("li");
    if (alarm) li.className = "is-alarm";
    const when = document.createElement("time"), bold = document.createElement("b");
    when.textContent = time; bold.textContent = head;
    li.append(when, bold, document.createTextNode(words ? `${head ? ": " : ""}${words}` : ""));
    return li;
  }

  function showEvents(e) {
    text("flash", e.flash ? `Latest flash at ${e.flash}` : "No flash so far.");
    const latest = [...e.events].reverse();
    if (latest.length) list("events", latest, (x) => entry(x.time, x.kind, x.text, x.alarm));
    const alarm = latest.find((x) => x.alarm);
    $("alarm").hidden = !alarm;
    if (alarm) text("alarm", `▲ ${alarm.time}, ${alarm.kind}: ${alarm.text}`);
  }

  function showRemarks(r) {
    list("remarks", [...r.remarks].reverse(), (x) => entry(x.time, x.kind === "note" ? "" : x.kind, x.text, false));
    Draw.takeMarks(r.remarks);
  }

  // the connection

  function link(state) {
    document.body.dataset.link = state;
    const words = { live: "live", ended: "ended", lost: "connection lost, trying again", waiting: "connecting" };
    text("link", over || words[state]);
    const when = new Date(Date.now() - (performance.now() - lastNews)).toLocaleTimeString();
    document.querySelector(".glance").dataset.stale = state === "ended" ? `Ended; as of ${when}` : `Not live: as of ${when}`;
  }

  function connect() {
    const where = new URL("news", location.href);
    where.protocol = where.protocol.replace("http", "ws");
    where.search = token ? `?token=${encodeURIComponent(token)}` : "";
    socket = new WebSocket(where);
    socket.onmessage = (message) => {
      const news = JSON.parse(message.data);
      if (news.build !== Draw.build) { location.reload(); return; }
      tries = 0;
      lastNews = performance.now();
      try { show(news); } finally { socket.send("ready"); }
    };
    socket.onclose = () => {
      if (!over) link(lastNews ? "lost" : "waiting");
      setTimeout(retry, RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)]);
    };
  }

  // A refused WebSocket is an error in the console of a browser; so it is asked first whether anyone is there.
  async function retry() {
    try {
      await fetch("page.css", { method: "HEAD", cache: "no-store", headers: token ? { "X-Token": token } : {} });
      connect();
    } catch { setTimeout(retry, RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)]); }
  }

  setInterval(() => {
    const silent = (performance.now() - frameAt) / 1000;
    text("since", lastFrame > 0 && document.body.dataset.link === "live" && silent > SILENT_S ? `no frame for ${Math.round(silent)} s` : "");
  }, 1000);

  // remarks

  async function send(kind, words) {
    $("answer").className = "";
    text("answer", "Keeping …");
    try {
      const reply = await fetch("remark", { method: "POST", body: JSON.stringify({ kind, text: words }),
        headers: { "Content-Type": "application/json", ...(token ? { "X-Token": token } : {}) } });
      if (reply.status === 201) { text("answer", kind === "note" ? "Note kept." : `Marked: ${kind}.`); return true; }
      const said = reply.status === 422 ? (await reply.json()).problem : await reply.text();
      throw new Error(said);
    } catch (error) {
      $("answer").className = "bad";
      text("answer", `Not kept: ${error instanceof TypeError ? "there is no connection; send it again when there is." : error.message}`);
      return false;
    }
  }
  async function keepNote() {
    const words = $("note").value;
    if (!words.trim()) { $("note").focus(); return; }
    if (await send("note", words) && $("note").value === words) { $("note").value = ""; draft(); }
  }
  function draft() { try { sessionStorage.setItem("glowledger draft", $("note").value); } catch { /* not kept */ } }
  try { $("note").value = sessionStorage.getItem("glowledger draft") || ""; } catch { /* none */ }

  $("note").addEventListener("input", draft);
  $("write").addEventListener("submit", (event) => { event.preventDefault(); keepNote(); });
  for (const button of document.querySelectorAll("[data-mark]")) button.addEventListener("click", () => send(button.dataset.mark, ""));
  function faint() {
    const now = $("faint").getAttribute("aria-pressed") !== "true";
    $("faint").setAttribute("aria-pressed", String(now));
    Draw.seeFaint(now);
  }
  $("faint").addEventListener("click", faint);
  $("theme").addEventListener("click", nextTheme);
  $("help").addEventListener("click", () => $("keys").showModal());
  system.addEventListener("change", paint);

  // keys

  $("keys-on").checked = store.get("glowledger keys") !== "off";
  $("keys-on").addEventListener("change", () => store.set("glowledger keys", $("keys-on").checked ? "on" : "off"));
  document.addEventListener("keydown", (event) => {
    if (event.target === $("note")) {
      if (event.key === "Enter" && (event.ctrlKey || event.metaKey)) { event.preventDefault(); keepNote(); }
      if (event.key === "Escape") $("note").blur();
      return;
    }
    if (event.ctrlKey || event.metaKey || event.altKey || event.repeat || $("keys").open || !$("keys-on").checked) return;
    const marks = { g: "gas opened", p: "power changed", m: "magnet" };
    const key = event.key.toLowerCase();
    if (key in marks) send(marks[key], "");
    else if (key === "n") { event.preventDefault(); $("note").focus(); }
    else if (key === "t") nextTheme();
    else if (key === "f") faint();
    else if (key === "?") $("keys").showModal();
    else return;
    event.preventDefault();
  });

  Draw.begin().then(() => { paint(); connect(); });
})();
