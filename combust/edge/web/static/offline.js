// What else holds while there is no network. Photographs wait: made small on the phone, kept in its own store (which works
// on plain http), sent when the server answers. A form that is not queued stays where it is. Without script, or without a
// store, forms are sent as forms are.
"use strict";

const PHOTOS_KEPT = 20, LONGER_SIDE = 1600, PHOTO_BYTES = 3e6, PHOTO_QUALITY = 0.85, PHOTO_PATIENCE_MS = 60000;
let sendingPhotos = false;

const asked = (request) => new Promise((done, failed) => {
  request.onsuccess = () => done(request.result);
  request.onerror = () => failed(request.error);
});

async function inStore(mode, work) {
  const opening = indexedDB.open("combust photographs", 1);
  opening.onupgradeneeded = () => opening.result.createObjectStore("waits", { keyPath: "key" });
  const base = await asked(opening);
  try { return await asked(work(base.transaction("waits", mode).objectStore("waits"))); } finally { base.close(); }
}

const waitingPhotos = async () => (await inStore("readonly", (store) => store.getAll())).sort((a, b) => a.at - b.at);

async function madeSmall(file) {
  const picture = await createImageBitmap(file); // upright: browsers turn it as the phone was held
  const share = Math.min(1, LONGER_SIDE / Math.max(picture.width, picture.height));
  const sheet = Object.assign(document.createElement("canvas"), { width: Math.round(picture.width * share), height: Math.round(picture.height * share) });
  sheet.getContext("2d").drawImage(picture, 0, 0, sheet.width, sheet.height);
  const small = await new Promise((done) => sheet.toBlob(done, "image/jpeg", PHOTO_QUALITY));
  if (!small || small.size > PHOTO_BYTES) throw new Error("no room");
  return small;
}

async function keepPhoto(form) {
  const picture = await madeSmall(form.elements.photo.files[0]);
  if ((await waitingPhotos()).length >= PHOTOS_KEPT) throw new Error("no room");
  const key = freshKey(), pairs = typedOf(form).map(([name, value]) => [name, name === "once" ? key : value]);
  await inStore("readwrite", (store) => store.put({ key, at: Date.now(), path: form.getAttribute("action"), page: location.pathname, pairs, picture }));
  forget(draftOf(form));
  form.reset();
  await sendPhotos();
}

async function sendPhotos() {
  if (sendingPhotos) return;
  sendingPhotos = true;
  try {
    for (const one of await waitingPhotos()) {
      if (one.refused) continue;
      const body = new FormData();
      for (const [name, value] of one.pairs) body.append(name, value);
      body.append("photo", one.picture, "photo.jpg");
      const answer = await fetch(one.path, { method: "POST", body, headers: { "x-combust-token": await token() }, signal: AbortSignal.timeout(PHOTO_PATIENCE_MS) });
      if ([401, 403, 408, 429].includes(answer.status) || answer.status >= 500) break;
      const whole = answer.ok ? (store) => store.delete(one.key) : (store) => store.put({ ...one, refused: true });
      await inStore("readwrite", whole);
      if (answer.ok && one.page === location.pathname) location.reload();
    }
  } catch { /* no network: it waits */ } finally { sendingPhotos = false; tellPhotos(); }
}

// What waits, and what was refused: that is sent again or thrown away by the person, never by itself.
async function tellPhotos() {
  const photos = await waitingPhotos().catch(() => []), old = document.getElementById("photos-waiting");
  if (!photos.length) { old?.remove(); return; }
  const box = Object.assign(element("section", "", "banner waiting"), { id: "photos-waiting" });
  box.setAttribute("role", "status");
  const waits = photos.filter((one) => !one.refused).length;
  if (waits) box.append(element("p", said().photosWait.replace("{n}", waits)));
  for (const one of photos.filter((some) => some.refused)) {
    const line = element("p", `${said().photoRefused} ${new Map(one.pairs).get("shows") || ""} `);
    line.dataset.key = one.key;
    for (const [label, work] of [[said().again, (store) => store.put({ ...one, refused: false })], [said().away, (store) => store.delete(one.key)]]) {
      const key = Object.assign(element("button", label), { type: "button" });
      key.addEventListener("click", () => inStore("readwrite", work).then(sendPhotos));
      line.append(key, " ");
    }
    box.append(line);
  }
  tellIn(document.querySelector("main") || document.body, old, box);
}

// A form whose answer is needed at once (a watch, the end of a visit): without network nothing in it is lost.
async function sendOrStay(form, submitter) {
  const pairs = [...new FormData(form), ...(submitter && submitter.name ? [[submitter.name, submitter.value]] : [])];
  try {
    await draw(await fetch(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(pairs), signal: AbortSignal.timeout(PHOTO_PATIENCE_MS) }));
  } catch {
    form.querySelector(".empty")?.remove();
    form.prepend(element("p", said().stays, "empty kept"));
  }
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.dataset.stay !== undefined) { event.preventDefault(); sendOrStay(form, event.submitter); return; }
  if (!form.matches("form[data-photo]") || !form.elements.photo.files.length || !window.indexedDB) return;
  event.preventDefault();
  keepPhoto(form).catch(() => { forget(draftOf(form)); form.submit(); }); // no picture, or no room here: the server says so
});
addEventListener("online", sendPhotos);
setInterval(() => { if (document.getElementById("photos-waiting")) sendPhotos(); }, RETRY_MS);
document.addEventListener("DOMContentLoaded", sendPhotos);
