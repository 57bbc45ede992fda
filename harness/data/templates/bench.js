"use strict";
// Keeps the page as the program says it is, and sends the person's answers. The whole state comes with every connection, so a
// reload or a sleep of the computer loses nothing.
(() => {
  const seal = document.querySelector('meta[name="seal"]').content;
  const SILENCE = 25000, RETRY = 1000, CALM = 300;
  const lost = document.getElementById("lost");
  let source = null, page = 0, question = -1, heard = 0, ended = false, fresh = 1, again = 0, calm = 0;

  // The same page after a reload keeps the buttons: its name lives as long as its tab.
  let name = sessionStorage.getItem("page");
  if (!name) {
    name = Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");
    sessionStorage.setItem("page", name);
  }

  function connect() {
    clearTimeout(again);
    if (source) source.close();
    heard = Date.now();
    source = new EventSource(`stream?page=${name}&fresh=${fresh}`);
    source.onmessage = (event) => { fresh = 0; hear(); show(JSON.parse(event.data)); };
    source.addEventListener("beat", hear);
    source.onerror = lose;
  }

  function hear() {
    heard = Date.now();
    lost.hidden = true;
  }

  function lose() {
    source.close();
    if (ended) return;
    lost.hidden = false;
    enable(false);
    clearTimeout(again);
    again = setTimeout(connect, RETRY);
  }

  function show(told) {
    const focused = document.activeElement && document.activeElement.closest("#ask");
    for (const [id, html] of Object.entries(told.parts)) document.getElementById(id).innerHTML = html;
    document.title = told.title;
    document.body.dataset.kind = told.kind;
    page = told.page;
    ended = told.kind === "ended";
    if (told.question !== question) {
      // Somebody who has just answered may press once more: a new question takes no answer in its first moments.
      question = told.question;
      clearTimeout(calm);
      calm = setTimeout(() => { calm = 0; enable(true); }, CALM);
      window.scrollTo(0, 0);
    }
    if (!calm) enable(true);
    if (focused && told.parts.ask) { const first = document.querySelector("#ask button"); if (first) first.focus(); }
  }

  function enable(yes) {
    for (const button of document.querySelectorAll("[data-answer]")) button.disabled = !yes;
  }

  function send(where, what) {
    const headers = { "Content-Type": "application/json", "X-Seal": seal };
    fetch(where, { method: "POST", headers: headers, body: JSON.stringify(what) }).catch(lose);
  }

  function answer(button) {
    if (button.disabled) return;
    enable(false);
    send("answer", { page: page, question: question, answer: button.dataset.answer });
  }

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button");
    if (button && button.dataset.answer) answer(button);
    if (button && button.dataset.take) send("take", { page: page });
  });

  document.addEventListener("keydown", (event) => {
    if (event.repeat || event.ctrlKey || event.altKey || event.metaKey) return;
    if (event.key === " " && event.target.closest("button")) return; // the button itself is pressed
    const button = [...document.querySelectorAll("[data-answer]")].find((one) => one.dataset.key === event.key.toLowerCase());
    if (event.key === " " && question > 0) event.preventDefault();
    if (button) answer(button);
  });

  function look() {
    if (!ended && !document.hidden && Date.now() - heard > SILENCE) connect();
  }
  setInterval(look, 5000);
  for (const what of ["visibilitychange", "online", "focus"]) addEventListener(what, look);
  addEventListener("pageshow", (event) => { if (event.persisted) connect(); });
  connect();
})();
