// Helps where it runs; every page works without it. What was typed stays in this tab (sessionStorage), never on the
// device, and is forgotten once it is saved, left, or two hours old: somebody else may be at the tablet by then.
"use strict";
(() => {
  const BEGIN = "ward:";
  const KEY = BEGIN + location.pathname + location.search;
  const BOARD_EVERY_MS = 60000, RETRY_EVERY_MS = 15000, COMPUTE_AFTER_MS = 400;
  const KEEP_MS = 2 * 3600 * 1000;
  const keep = (work) => { try { return work(); } catch { return null; } }; // storage may be forbidden
  const typed = (form) => [...new FormData(form)].filter(([, value]) => typeof value === "string");
  const post = (url, form) => fetch(url, { method: "POST", body: new URLSearchParams(typed(form)) });
  let again = null; // what to send once there is a connection

  if (document.body.dataset.saved) forget(document.body.dataset.saved);
  if (document.body.hasAttribute("data-board")) setInterval(refreshBoard, BOARD_EVERY_MS);
  if (document.body.hasAttribute("data-form")) {
    const form = document.querySelector("form[method=post]");
    restore(form);
    wire(form);
    addEventListener("online", () => again && again());
  }

  function forget(entryId) {
    keep(() => {
      for (const key of Object.keys(sessionStorage).filter((one) => one.startsWith(BEGIN))) {
        const draft = JSON.parse(sessionStorage.getItem(key));
        if (draft.typed.some(([name, value]) => name === "entry_id" && value === entryId)) sessionStorage.removeItem(key);
      }
    });
  }

  async function page(answer) { return new DOMParser().parseFromString(await answer.text(), "text/html"); }

  async function refreshBoard() {
    if (document.hidden || document.querySelector("main").contains(document.activeElement?.closest("a"))) return;
    const answer = await fetch(location.href).catch(() => null);
    const fresh = answer?.ok ? (await page(answer)).querySelector("main") : null;
    if (fresh) document.querySelector("main").replaceChildren(...fresh.childNodes); // else the board shows as of when
  }

  function restore(form) {
    const draft = keep(() => JSON.parse(sessionStorage.getItem(KEY)));
    if (draft && Date.now() - draft.at > KEEP_MS) { keep(() => sessionStorage.removeItem(KEY)); return; }
    if (!draft || document.querySelector("main [role=alert]")) return; // after faults the page has what was typed
    const said = new Map();
    for (const [name, value] of draft.typed) said.set(name, [...(said.get(name) || []), value]);
    for (const field of form.elements) {
      if (!field.name || field.type === "submit" || field.name === "seen") continue;
      const values = said.get(field.name) || [];
      if (field.type === "radio" || field.type === "checkbox") field.checked = values.includes(field.value);
      else if (values.length) field.value = values[0];
    }
    tell("restored");
  }

  function tell(what) {
    const notice = document.getElementById("connection");
    notice.textContent = notice.dataset[what] || "";
    notice.hidden = !notice.textContent;
  }

  function wire(form) {
    const computes = form.hasAttribute("data-computes");
    let waiting, asked = 0, sending = false, retry;
    form.addEventListener("input", () => {
      keep(() => sessionStorage.setItem(KEY, JSON.stringify({ at: Date.now(), typed: typed(form) })));
      clearTimeout(waiting);
      if (computes) waiting = setTimeout(compute, COMPUTE_AFTER_MS);
    });
    form.querySelector("a[data-leave]")?.addEventListener("click", () => keep(() => sessionStorage.removeItem(KEY)));
    form.addEventListener("submit", (event) => {
      const asks = event.submitter?.name;
      if (asks && asks !== "compute") return; // more rows: an ordinary post
      event.preventDefault();
      if (asks) compute(); else send();
    });
    if (computes && typed(form).some(([name, value]) => /(gap_mm|mark_mm|mark_mm_after)$/.test(name) && value)) compute();

    async function compute() {
      const turn = ++asked;
      const answer = await post(form.action + "/preview", form).catch(() => null);
      if (!answer || !(answer.ok || answer.status === 422)) return; // figures come with the next keystroke
      const fresh = await page(answer);
      if (turn !== asked) return; // something was typed meanwhile
      for (const live of form.querySelectorAll("[data-live]")) {
        const other = fresh.getElementById(live.id);
        if (other && other.innerHTML !== live.innerHTML) live.replaceChildren(...other.childNodes);
        if (live.classList.contains("fault")) flag(live);
      }
    }

    async function send() {
      if (sending) return;
      sending = true;
      clearTimeout(retry);
      again = null;
      const answer = await post(form.action, form).catch(() => null);
      sending = false;
      if (!answer) {
        tell("offline");
        again = send;
        retry = setTimeout(send, RETRY_EVERY_MS); // the entry's id makes a second sending harmless
      } else if (answer.redirected) location.assign(answer.url);
      else if (answer.status === 409 || answer.status === 422) await show(answer);
      else tell(answer.status === 401 || answer.status === 403 ? "signedOut" : "refused");
    }
  }

  function flag(fault) {
    const field = document.getElementById("i-" + fault.id.slice(2));
    if (!field || field.tagName === "DIV") return;
    if (fault.textContent.trim()) field.setAttribute("aria-invalid", "true");
    else field.removeAttribute("aria-invalid");
  }

  async function show(answer) {
    const fresh = (await page(answer)).querySelector("main");
    document.querySelector("main").replaceWith(fresh);
    const told = fresh.querySelector("[role=alert]");
    told?.setAttribute("tabindex", "-1");
    told?.focus();
    wire(fresh.querySelector("form[method=post]"));
  }
})();
