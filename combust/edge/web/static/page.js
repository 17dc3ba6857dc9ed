// What a phone adds to the page: drafts, entries that wait for the network, a key for minus, a slider. Nothing depends
// on it: with the script blocked every form is sent as forms are. Nothing here judges; the server does.
"use strict";

const DRAFT = "combust draft ", WAITS = "combust waits ", REFUSED = "combust refused ";
const HOURS_KEPT = 12, RETRY_MS = 4000, PATIENCE_MS = 8000;
let sending = false, unpaired = false;
const said = () => document.body.dataset;
const kept = (start) => Object.keys(localStorage).filter((name) => name.startsWith(start)).sort();
const read = (name) => { try { return JSON.parse(localStorage.getItem(name)); } catch { return null; } };
const write = (name, value) => { try { localStorage.setItem(name, JSON.stringify(value)); return true; } catch { return false; } };
const element = (tag, text, name) => Object.assign(document.createElement(tag), { textContent: text, className: name || "" });

// A name of its own for each entry, made here: randomUUID needs https.
const freshKey = () => [...crypto.getRandomValues(new Uint8Array(16))].map((byte) => byte.toString(16).padStart(2, "0")).join("");

// ---- what a form holds
const typedOf = (form) => [...new FormData(form)].filter(([name, value]) => name !== "token" && typeof value === "string");
const visible = (form) => typedOf(form).filter(([name, value]) => value !== "" && !isHidden(form, name));
const isHidden = (form, name) => { const one = form.elements[name]; return one && one.type === "hidden"; };

const sayEmpty = (form) => { form.querySelector(".empty")?.remove(); form.prepend(element("p", said().empty, "empty kept")); };
function fill(form, pairs) {
  for (const [name, value] of pairs) {
    const one = form.elements[name];
    if (!one || isHidden(form, name)) continue;
    one.value = value;
    const fold = (one.closest ? one : one[0]).closest("details");
    if (fold) fold.open = true;
  }
}

// ---- drafts: what was typed and not yet sent stays on this phone for some hours
const draftOf = (form) => `${DRAFT}${location.pathname} ${form.dataset.draft}`;
const keepDraft = (form) => (visible(form).length ? write(draftOf(form), { at: Date.now(), pairs: visible(form) }) : forget(draftOf(form)));

function forget(draft) {
  localStorage.removeItem(draft);
  for (const name of kept(REFUSED)) if (read(name).draft === draft) localStorage.removeItem(name);
}

function takeDraft(form) {
  const draft = read(draftOf(form));
  if (!draft || !draft.pairs.length) return undefined;
  if (Date.now() - draft.at > HOURS_KEPT * 3600e3) return forget(draftOf(form));
  if (visible(form).some(([name]) => form.elements[name].type !== "radio" && form.elements[name].tagName !== "SELECT")) return undefined;
  fill(form, draft.pairs);
  const time = new Date(draft.at).toTimeString().slice(0, 5);
  const line = element("p", said().kept.replace("{time}", time) + " ", "kept");
  const away = element("button", said().erase);
  away.type = "button";
  away.addEventListener("click", () => { forget(draftOf(form)); line.remove(); form.reset(); tellWaiting(); });
  line.append(away);
  form.prepend(line);
  return undefined;
}

// What says the same stays where it is: a person who is about to press a key in it, or hears it read, is not disturbed.
function tellIn(place, old, box) {
  if (old?.isEqualNode(box)) return;
  old?.remove();
  place.prepend(box);
}

// ---- the queue: an entry is written down under its key before it is sent, and sent until it is answered
function tellWaiting() {
  const waits = kept(WAITS).length, refused = kept(REFUSED), old = document.getElementById("waiting");
  const banner = document.getElementById("banner"), something = waits || refused.length;
  if (banner) banner.hidden = something && !banner.classList.contains("stops"); // an older "no stop" comforts nobody now
  if (!something) return old?.remove();
  const box = element("section", "", "banner waiting");
  box.id = "waiting";
  box.setAttribute("role", "status");
  box.append(element("p", said().notJudged));
  if (waits) box.append(element("p", said().waits.replace("{n}", waits)));
  for (const [page, why] of [...refused.map((name) => [read(name).page, "notTaken"]), ...(unpaired ? [["/pair", "pair"]] : [])]) {
    const line = element("p", said()[why] + " ");
    line.append(Object.assign(element("a", said().open), { href: page }));
    box.append(line);
  }
  return tellIn(document.body, old, box);
}

async function token() {
  const answer = await fetch("/token", { signal: AbortSignal.timeout(PATIENCE_MS) });
  unpaired = answer.redirected;
  if (!answer.ok || unpaired) throw new Error("no token");
  return (await answer.json()).token;
}

async function send(one) {
  const body = new URLSearchParams(one.pairs);
  return fetch(one.path, { method: "POST", body, headers: { "x-combust-token": await token() }, signal: AbortSignal.timeout(PATIENCE_MS) });
}

// Send what waits, oldest first; `mine` is the entry that somebody looks at this moment.
async function sendWaiting(mine) {
  if (sending) return;
  sending = true;
  try {
    for (let name = kept(WAITS)[0]; name; name = kept(WAITS)[0]) {
      const one = read(name);
      const answer = one ? await send(one) : null;
      if (answer && ([401, 403, 408, 429].includes(answer.status) || answer.status >= 500)) break;
      localStorage.removeItem(name);
      if (!answer) continue; // nothing that could be read stood there
      if (answer.ok) forget(one.draft);
      else if (name !== mine) { write(REFUSED + one.at, one); write(one.draft, { at: Date.now(), pairs: one.shown }); }
      if (name === mine) return await draw(answer);
      if (!kept(WAITS).length && one.page === location.pathname) location.reload();
    }
  } catch { /* no network: it waits */ } finally { sending = false; tellWaiting(); }
}

function queue(form, event) {
  event.preventDefault();
  const at = Date.now();
  if (!visible(form).length && !event.submitter?.name) return at - Number(form.dataset.sent || 0) < 700 ? undefined : sayEmpty(form); // a second tap
  const pairs = typedOf(form).map(([name, value]) => [name, name === "once" ? freshKey() : value]);
  if (event.submitter && event.submitter.name) pairs.push([event.submitter.name, event.submitter.value]);
  const one = { path: form.getAttribute("action"), page: location.pathname, at, pairs, shown: visible(form), draft: draftOf(form) };
  const name = `${WAITS}${String(at).padStart(15, "0")} ${freshKey()}`;
  if (!write(name, one)) return form.submit(); // no room on this phone
  form.dataset.sent = at;
  localStorage.removeItem(draftOf(form)); // it waits under its key now; the form is free for the next entry at once
  form.reset();
  tellWaiting();
  return sendWaiting(name);
}

// ---- a page that came as an answer takes the place of this one
async function draw(answer) {
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const there = new URL(answer.url); // with what stands in its address: a case that was ordered is found again
  if (answer.redirected) history.pushState(null, "", there.pathname + there.search);
  document.title = page.title;
  document.body.replaceWith(document.adoptNode(page.body));
  begin();
  scrollTo(0, 0);
  const first = document.querySelector("#banner.stops, .refused, .answer, main h1");
  if (first) { first.tabIndex = -1; first.focus(); }
}

// ---- a key for minus (keypads for numbers lack one), a slider that types into a field, a watch that asks again (what is as it was stays)
function addSign(input) {
  const key = element("button", "±", "sign");
  key.type = "button";
  key.setAttribute("aria-label", `${said().sign}: ${input.labels[0].textContent.trim()}`);
  key.addEventListener("click", () => {
    input.value = /^\s*[-−]/.test(input.value) ? input.value.replace(/^\s*[-−]\s*/, "") : `-${input.value.trim()}`;
    input.dispatchEvent(new Event("input", { bubbles: true }));
    input.focus();
  });
  input.inputMode = "decimal";
  input.after(key);
}

function addSlider(box) {
  const field = document.getElementById(box.dataset.slides), form = field.form, slider = element("input", "");
  Object.assign(slider, { type: "range", min: box.dataset.low, max: box.dataset.high, step: box.dataset.step, id: "what-if" });
  slider.value = field.value.replace(",", ".");
  const label = Object.assign(element("label", `${box.dataset.label} `), { htmlFor: "what-if" }), shown = element("output", slider.value);
  label.append(shown);
  box.append(label, slider);
  slider.addEventListener("input", () => { shown.textContent = slider.value; });
  slider.addEventListener("change", async () => {
    field.value = slider.value;
    const answer = await fetch(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(new FormData(form)) }).catch(() => null);
    if (answer) { await draw(answer); const again = document.getElementById("what-if"); if (again) again.focus(); }
  });
}

// A slider or a choice of a form that asks: the parts that it names are drawn anew, the rest of the page stays as it is.
function addMoves(form) {
  const slider = form.elements.at, shown = form.querySelector("output");
  slider.addEventListener("input", async () => {
    if (shown) shown.textContent = slider.value;
    const asks = `?${new URLSearchParams(new FormData(form))}`;
    const answer = await fetch(form.getAttribute("action") + asks).catch(() => null);
    const page = answer?.ok && new DOMParser().parseFromString(await answer.text(), "text/html");
    if (!page || asks !== `?${new URLSearchParams(new FormData(form))}`) return; // it was moved on meanwhile
    for (const name of form.dataset.moves.split(" ")) document.getElementById(name)?.replaceChildren(...page.getElementById(name).childNodes);
    history.replaceState(null, "", asks);
  });
}

// What is watched and cannot be asked for is old: whoever looks at it is told before anything else on the page.
function tellOld(fresh) {
  const old = document.getElementById("old");
  if (fresh) return old?.remove();
  const box = Object.assign(element("p", said().old, "warning"), { id: "old" });
  box.setAttribute("role", "status");
  return tellIn(document.querySelector("main"), old, box);
}

const showMoved = (slider) => slider.addEventListener("input", () => { slider.labels[0].querySelector("output").value = slider.value; });
const renew = (old, fresh) => { if (!fresh || !old.dataset.part || old.dataset.part !== fresh.dataset.part) old.replaceWith(fresh || ""); };
function watch(box) {
  setTimeout(async () => {
    if (!document.body.contains(box)) return;
    const answer = await fetch(box.dataset.from || location.href, { signal: AbortSignal.timeout(PATIENCE_MS) }).catch(() => null);
    if (answer && answer.ok) {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      document.querySelectorAll(".bar, #banner").forEach((one) => one.remove());
      document.body.prepend(...page.querySelectorAll(".bar, #banner"));
      if (answer.redirected) return location.assign(answer.url);
      document.querySelectorAll("#watched, [data-part]").forEach((old) => renew(old, page.getElementById(old.id)));
      tellWaiting();
    }
    tellOld(answer?.ok);
    document.querySelectorAll("[data-watch]").forEach(watch);
  }, 1000 * Number(box.dataset.watch));
}

// The document hears for every form: this runs before the first form is there, so that none can be sent without it.
document.addEventListener("input", (event) => { if (event.target.form?.dataset.draft !== undefined) keepDraft(event.target.form); });
document.addEventListener("submit", (event) => { if (event.target.dataset.queue !== undefined && event.target.elements.once) queue(event.target, event); });

function begin() {
  document.querySelectorAll("form[data-draft]").forEach(takeDraft);
  const adds = { "input[data-sign]": addSign, "[data-slides]": addSlider, "[data-moves]": addMoves, "[data-watch]": watch, "[name^=knob_][type=range]": showMoved };
  for (const what in adds) document.querySelectorAll(what).forEach(adds[what]);
  tellWaiting();
  if (typeof tellPhotos === "function") tellPhotos(); // offline.js
}
document.addEventListener("DOMContentLoaded", () => { begin(); if (kept(WAITS).length) sendWaiting(); });
addEventListener("popstate", () => location.reload());
addEventListener("online", () => sendWaiting());
setInterval(() => { if (kept(WAITS).length) sendWaiting(); }, RETRY_MS);
