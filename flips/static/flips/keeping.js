"use strict";
// What a phone keeps for the shop until it is safely sent: drafts, photos, and finds logged without a signal.
(() => {
  const { all, one, make, toast, parse, stored, freshIds } = window.coat;
  const coat = window.coat;
  const viewer = () => document.body.dataset.viewer || "";

  // A small cupboard for what localStorage cannot hold
  let cupboard = null;
  const open = () => cupboard ||= new Promise((resolve, reject) => {
    const request = indexedDB.open("third-coat", 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("finds", { keyPath: "sent_id" });
      request.result.createObjectStore("photos", { keyPath: "key" });
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  const ask = async (store, mode, what) => {
    const place = (await open()).transaction(store, mode);
    const request = what(place.objectStore(store));
    return new Promise((resolve, reject) => {
      // Only a completed transaction is on the phone's disk.
      place.oncomplete = () => resolve(request.result);
      place.onabort = place.onerror = () => reject(place.error);
    });
  };
  const shelf = (store) => ({
    put: (thing) => ask(store, "readwrite", (place) => place.put(thing)),
    get: (key) => ask(store, "readonly", (place) => place.get(key)),
    drop: (key) => ask(store, "readwrite", (place) => place.delete(key)),
    every: () => ask(store, "readonly", (place) => place.getAll()),
  });
  const finds = shelf("finds");
  const photos = shelf("photos");
  const quietly = (promise) => promise.catch(() => undefined);

  // Drafts: a phone may throw the page away while its camera is open
  const NEVER = new Set(["csrfmiddlewaretoken", "sent_id", "token"]);
  const DRAFT_DAYS = 14;
  const keyOf = (form) => `draft:${viewer()}:${location.pathname}:${form.dataset.draft || form.id}`;
  const sentId = (form) => one("input[name=sent_id]", form);
  const typed = (form) => [...new FormData(form)].filter(([name, value]) => typeof value === "string" && !NEVER.has(name)
    && form.elements[name]?.type !== "password");
  const save = (form) => {
    if (!form.dataset.touched) return;
    stored(localStorage, keyOf(form), JSON.stringify({ at: Date.now(), fields: typed(form), tried: form.dataset.tried, sent: sentId(form)?.value }));
  };
  const saveAll = () => all("form[data-draft]").forEach(save);
  const drop = (form) => {
    delete form.dataset.touched;
    delete form.dataset.tried;
    stored(localStorage, keyOf(form), null);
    quietly(photos.drop(keyOf(form)));
  };
  coat.draftTried = (form, unsure) => {
    if (!form.matches("[data-draft]")) return;
    form.dataset.touched = "1";
    form.dataset.tried = unsure ? "1" : "";
    save(form);
  };
  coat.draftDone = (form) => {
    drop(form);
    if (form.dataset.find) quietly(finds.drop(form.dataset.find));
  };
  const fill = (form, fields) => {
    const values = new Map();
    fields.forEach(([name, value]) => values.set(name, [...(values.get(name) || []), value]));
    for (const element of form.elements) {
      const { name, type } = element;
      if (!name || NEVER.has(name) || ["file", "submit", "button", "password"].includes(type)) continue;
      const mine = values.get(name) || [];
      if (type === "checkbox" || type === "radio") element.checked = mine.includes(element.value);
      else if (type === "select-multiple") [...element.options].forEach((option) => { option.selected = mine.includes(option.value); });
      else if (mine.length) element.value = mine.shift();
      const box = element.closest("details");
      if (box && type !== "hidden" && element.value && !element.matches("[type=radio], [type=checkbox], select")) box.open = true;
    }
  };
  const restore = async (form) => {
    // Tried says the last answer never came: the same id makes sure that it is not stored twice.
    const kept = (() => { try { return JSON.parse(stored(localStorage, keyOf(form))); } catch { return null; } })();
    const box = await quietly(photos.get(keyOf(form)));
    const sent = sentId(form);
    if ((!kept && !box) || sent?.dataset.kept || form.dataset.touched) return;
    if (kept && Date.now() - kept.at > DRAFT_DAYS * 864e5) { drop(form); return; }
    if (kept) {
      fill(form, kept.fields);
      if (kept.tried && kept.sent && sent) { sent.value = kept.sent; form.dataset.tried = "1"; }
    }
    putBack(form, box?.files || []);
    form.dataset.touched = "1";
    const empty = make("button", { type: "button", class: "quiet" }, "Start empty");
    empty.addEventListener("click", () => { drop(form); location.reload(); });
    form.prepend(make("div", { class: "note kept", role: "status" }, make("div", {}, "What you typed before is back."), empty));
  };
  let pause = 0;
  document.addEventListener("input", (event) => {
    const form = event.target.form;
    if (!form?.matches("[data-draft]")) return;
    form.dataset.touched = "1";
    clearTimeout(pause);
    pause = setTimeout(() => save(form), 300);
  });
  addEventListener("pagehide", saveAll);
  document.addEventListener("visibilitychange", () => { if (document.hidden) saveAll(); });

  // Photos: seen before they are sent, gathered over several shots, made smaller where that is safe
  const picked = new WeakMap();
  const shrinking = new WeakMap();
  coat.photosReady = (form) => Promise.all(all("input[type=file]", form).map((input) => shrinking.get(input)));
  const set = (input, files) => {
    try {
      const box = new DataTransfer();
      files.forEach((file) => box.items.add(file));
      input.files = box.files;
      picked.set(input, files);
    } catch { /* an old browser keeps its own last choice */ }
  };
  const same = (a, b) => a.name === b.name && a.size === b.size && a.lastModified === b.lastModified;
  const add = (input, files) => {
    const before = input.multiple ? picked.get(input) || [] : [];
    set(input, [...before, ...files.filter((file) => !before.some((old) => same(old, file)))]);
    preview(input);
  };
  const putBack = (form, files) => {
    for (const { name, file } of files) {
      const input = all("input[type=file]", form).find((candidate) => candidate.name === name);
      if (input) add(input, [file]);
    }
  };
  const inForm = (form) => all("input[type=file]", form).flatMap((input) => [...input.files].map((file) => ({ name: input.name, file })));
  const keepPhotos = (form) => {
    if (!form?.matches("[data-draft]")) return;
    form.dataset.touched = "1";
    quietly(photos.put({ key: keyOf(form), files: inForm(form) }));
  };
  const preview = (input) => {
    const place = one("[data-previews]", input.closest("[data-photos]") || document);
    if (!place) return;
    place.replaceChildren(...[...input.files].map((file, index) => {
      const image = make("img", { src: URL.createObjectURL(file), alt: "", width: "88", height: "88" });
      image.onload = () => URL.revokeObjectURL(image.src);
      image.onerror = () => image.replaceWith(make("span", { class: "name" }, file.name));
      const remove = make("button", { type: "button", "aria-label": `Remove photo ${index + 1}` }, "Remove");
      remove.addEventListener("click", () => {
        set(input, [...input.files].filter((other) => other !== file));
        preview(input);
        keepPhotos(input.form);
        input.focus();
      });
      return make("div", { class: "preview" }, image, remove);
    }));
  };

  // The largest size the shop keeps; more would only cost time on a weak signal.
  const LONGEST = 2560;
  // A drawn photo has lost its camera's notes. The one worth keeping is when it was taken; where stays behind.
  // Layout: CIPA DC-008 (Exif), a marker, one directory that points to a second, and the time in it.
  const takenNote = async (file) => {
    const start = new TextDecoder("latin1").decode(await file.slice(0, 65536).arrayBuffer());
    const when = (start.match(/\d{4}:\d\d:\d\d \d\d:\d\d:\d\d(?=\0)/g) || []).pop();
    if (!when) return null;
    const bytes = new Uint8Array(74);
    const view = new DataView(bytes.buffer);
    const text = (at, words) => [...words].forEach((letter, index) => { bytes[at + index] = letter.charCodeAt(0); });
    const directory = (at, tag, type, count, value) => {
      view.setUint16(at, 1);
      view.setUint16(at + 2, tag);
      view.setUint16(at + 4, type);
      view.setUint32(at + 6, count);
      view.setUint32(at + 10, value);
    };
    view.setUint16(0, 0xffe1);
    view.setUint16(2, bytes.length - 2);
    text(4, "Exif\0\0MM\0*\0\0\0\b");
    directory(18, 0x8769, 4, 1, 26);
    directory(36, 0x9003, 2, 20, 44);
    text(54, when);
    return bytes;
  };
  const shrink = async (file) => {
    if (!/^image\/(jpeg|webp)$/.test(file.type) || file.size < 1.5e6 || !window.createImageBitmap) return file;
    try {
      const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
      const scale = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
      const width = Math.round(picture.width * scale);
      const height = Math.round(picture.height * scale);
      // Above 16.7 megapixels some phones hand back an empty picture without a word.
      if (!width || !height || width * height > 16.7e6) return file;
      const canvas = make("canvas", { width, height });
      canvas.getContext("2d").drawImage(picture, 0, 0, width, height);
      picture.close();
      const drawn = await new Promise((resolve) => canvas.toBlob(resolve, "image/jpeg", 0.88));
      if (drawn?.type !== "image/jpeg" || drawn.size > file.size * 0.8) return file;
      const note = await takenNote(file);
      const parts = note ? [drawn.slice(0, 2), note, drawn.slice(2)] : [drawn];
      return new File(parts, file.name.replace(/\.\w+$/, "") + ".jpg", { type: "image/jpeg", lastModified: file.lastModified });
    } catch {
      return file;
    }
  };
  document.addEventListener("change", (event) => {
    const input = event.target;
    if (input.type !== "file" || !input.closest("[data-photos]")) return;
    saveAll();
    const chosen = [...input.files];
    shrinking.set(input, (async () => {
      const files = [];
      for (const file of chosen) files.push(await shrink(file));
      add(input, files);
      keepPhotos(input.form);
    })());
  });

  // Finds logged without a signal
  coat.keepFind = async (form, data) => {
    const fields = [...data].filter(([name, value]) => typeof value === "string" && name !== "csrfmiddlewaretoken");
    const files = [...data].filter(([, value]) => value instanceof File && value.size).map(([name, file]) => ({ name, file }));
    const what = String(data.get("what") || "").trim() || "A photo";
    try {
      await finds.put({ sent_id: data.get("sent_id"), viewer: viewer(), url: form.getAttribute("action") || location.pathname, at: Date.now(), what, fields, files, refused: "" });
    } catch {
      return false;
    }
    drop(form);
    delete form.dataset.find;
    form.reset();
    all("input[type=file]", form).forEach((input) => { set(input, []); preview(input); });
    all(".kept, .form-errors", form).forEach((note) => note.remove());
    freshIds(form, true);
    toast("Kept on this phone, will be sent.");
    await show();
    if (navigator.onLine) sendFinds();
    return true;
  };
  const mine = async () => (await quietly(finds.every()) || []).filter((find) => find.viewer === viewer()).sort((a, b) => a.at - b.at);
  const show = async () => {
    const box = one("#waiting");
    if (!box || !viewer()) return;
    const kept = await mine();
    box.hidden = !kept.length;
    const waiting = kept.filter((find) => !find.refused);
    const inside = make("div", { class: "stack" });
    if (waiting.length) {
      const button = make("button", { type: "button" }, `Send now (${waiting.length} waiting)`);
      button.addEventListener("click", () => sendFinds(true));
      inside.append(make("p", {}, `Kept on this phone: ${waiting.map((find) => find.what).join(", ")}.`), button);
    }
    for (const find of kept.filter((one_) => one_.refused)) {
      const remove = make("button", { type: "button", class: "danger" }, "Remove");
      remove.addEventListener("click", async () => { await quietly(finds.drop(find.sent_id)); show(); });
      const edit = make("a", { class: "button", href: `${find.url}?kept=${find.sent_id}` }, "Change it");
      inside.append(make("p", {}, make("strong", {}, find.what), ` was not taken: ${find.refused}`), make("div", { class: "row" }, edit, remove));
    }
    box.replaceChildren(inside);
  };
  let sending = false;
  const sendFinds = async (asked = false) => {
    if (sending || !document.body.dataset.token) return;
    const waiting = (await mine()).filter((find) => !find.refused && find.sent_id !== one("form[data-find]")?.dataset.find);
    if (!waiting.length) return;
    sending = true;
    let sent = 0;
    let trouble = "";
    try {
      const proof = await fetch(document.body.dataset.token, { headers: { Accept: "application/json" }, cache: "no-store" });
      const token = proof.ok && !proof.redirected ? await proof.json() : null;
      if (!token) trouble = "Log in first, then the kept finds can be sent.";
      for (const find of token && String(token.viewer) === viewer() ? waiting : []) {
        const data = new FormData();
        find.fields.forEach(([name, value]) => data.append(name, value));
        find.files.forEach(({ name, file }) => data.append(name, file, file.name));
        data.append("csrfmiddlewaretoken", token.token);
        const answer = await fetch(find.url, { method: "POST", body: data, headers: { "X-CSRFToken": token.token } });
        const page = parse(await answer.text());
        if (one("input[type=password]", page)) { trouble = "Log in first, then the kept finds can be sent."; break; }
        if (answer.ok && answer.redirected) {
          await finds.drop(find.sent_id);
          sent += 1;
        } else if (answer.status < 500 && ![401, 403, 429].includes(answer.status)) {
          const lines = all(".field .errorlist li", page);
          const said = (lines.length ? lines : all(".errorlist li", page)).map((line) => {
            const label = one("label, legend", line.closest(".field") || line)?.firstChild.textContent.trim();
            return `${label ? `${label}: ` : ""}${line.textContent.trim()}`;
          });
          await finds.put({ ...find, refused: answer.status === 413 ? "too many photos in one go." : said.join(" ") || "look at it again." });
        } else {
          trouble = `The shop could not take it (${answer.status}). It is still on this phone.`;
          break;
        }
      }
    } catch {
      trouble = "Still no connection. The finds stay on this phone.";
    }
    sending = false;
    if (sent) toast(sent === 1 ? "The kept find was sent." : `${sent} kept finds were sent.`);
    if (trouble && asked) toast(trouble, { bad: true });
    show();
  };
  addEventListener("online", () => sendFinds());
  const change = async (form) => {
    const find = await quietly(finds.get(new URLSearchParams(location.search).get("kept") || ""));
    if (!find || find.viewer !== viewer()) return false;
    fill(form, find.fields);
    putBack(form, find.files);
    if (sentId(form)) sentId(form).value = find.sent_id;
    form.dataset.find = find.sent_id;
    return true;
  };

  coat.ready = async (from) => {
    all("[data-photos] input[type=file]", from).filter((input) => input.files.length).forEach((input) => {
      picked.set(input, [...input.files]);
      preview(input);
    });
    const forms = all("form[data-draft]", from);
    if (from.matches?.("form[data-draft]")) forms.push(from);
    for (const form of forms) {
      if (!("offline" in form.dataset && await change(form))) await restore(form);
    }
  };
  coat.forget = () => {
    try {
      Object.keys(localStorage).filter((name) => name.startsWith(`draft:${viewer()}:`)).forEach((name) => localStorage.removeItem(name));
    } catch { /* nothing was kept */ }
    quietly(ask("photos", "readwrite", (place) => place.clear()));
    if (window.caches) caches.delete("shell");
  };
  document.addEventListener("DOMContentLoaded", async () => {
    const { worker, shell, now, day } = document.body.dataset;
    // The kept page still says the day it was kept on.
    if (Date.now() - now * 1000 > 36e5) {
      const today = new Date(Date.now() - new Date().getTimezoneOffset() * 6e4).toISOString().slice(0, 10);
      all("input[type=date]").forEach((input) => { if (input.value === day) { input.value = today; input.defaultValue = today; } });
    }
    show();
    sendFinds();
    if (!window.isSecureContext || !("serviceWorker" in navigator) || !worker) return;
    try {
      await navigator.serviceWorker.register(worker);
      await navigator.serviceWorker.ready;
      // The page to log a find on is fetched once ahead, so that it opens in a cellar.
      if (shell && viewer() && !await caches.match(shell)) {
        const page = await fetch(shell);
        if (page.ok && !page.redirected) await (await caches.open("shell")).put(shell, page);
      }
    } catch { /* without it only the offline page is missing */ }
  });
})();
