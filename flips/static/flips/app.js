"use strict";
// Every page: forms are sent once, failures are shown, clocks run. Without scripts the pages still work.
// keeping.js hooks into the calls of `coat` that may be missing.
(() => {
  const coat = window.coat = {};
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const one = (what, from = document) => from.querySelector(what);
  const body = () => document.body;
  const make = (tag, attributes = {}, ...children) => {
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (name in made && typeof value !== "string") made[name] = value;
      else made.setAttribute(name, value);
    }
    made.append(...children);
    return made;
  };
  const stored = (store, name, value) => {
    try {
      if (value === undefined) return store.getItem(name);
      if (value === null) store.removeItem(name);
      else store.setItem(name, value);
    } catch { /* private mode or full: then nothing is kept */ }
    return null;
  };

  // randomUUID exists on https only; a shop on its own network is plain http.
  const uuid = () => {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    bytes[6] = (bytes[6] & 15) | 64;
    bytes[8] = (bytes[8] & 63) | 128;
    const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
    return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
  };
  const freshIds = (from, evenKept) => all("input[name=sent_id]", from).forEach((input) => {
    if (evenKept || !input.dataset.kept) input.value = uuid();
  });

  // Toasts
  const toast = (text, { bad = false, again = null, again_text = "Try again" } = {}) => {
    const place = one("#toasts");
    if (!place) return;
    all(".toast", place).forEach((old) => { if (old.firstChild.textContent === text) old.remove(); });
    const box = make("div", { class: bad ? "toast bad" : "toast" }, make("span", {}, text));
    if (again) {
      const button = make("button", { type: "button" }, again_text);
      button.addEventListener("click", () => { box.remove(); again(); });
      box.append(button);
    }
    place.append(box);
    tend(box);
  };
  const tend = (box) => {
    if (box.dataset.tended) return;
    box.dataset.tended = "1";
    const close = make("button", { type: "button", class: "icon", "aria-label": "Close this message" }, "✕");
    close.addEventListener("click", () => box.remove());
    box.append(close);
    if (box.classList.contains("bad")) return;
    const left = one(".left", box);
    let seconds = "undo" in box.dataset ? 10 : 8;
    const show = () => { if (left) left.textContent = `${seconds} s`; };
    show();
    const clock = setInterval(() => {
      if (!box.isConnected) return clearInterval(clock);
      if (box.matches(":hover, :focus-within") || document.hidden) return;
      seconds -= 1;
      show();
      if (seconds <= 0) box.remove();
    }, 1000);
  };
  const carryToasts = (html) => stored(sessionStorage, "toasts", html);
  const parse = (html) => new DOMParser().parseFromString(html, "text/html");

  // One sending at a time, and it shows
  const labels = new WeakMap();
  const busy = (form, on, submitter) => {
    if (on) form.dataset.sending = "1";
    else delete form.dataset.sending;
    const buttons = [...form.elements].filter((element) => element.type === "submit");
    const speaker = submitter || buttons.find((button) => button.classList.contains("main")) || buttons[0];
    for (const button of buttons) {
      if (on) button.setAttribute("aria-disabled", "true");
      else button.removeAttribute("aria-disabled");
      if (on && button === speaker && button.tagName === "BUTTON" && !labels.has(button)) {
        labels.set(button, [...button.childNodes]);
        button.replaceChildren(button.classList.contains("icon") ? "…" : button.dataset.busy || "Saving…");
      } else if (!on && labels.has(button)) {
        button.replaceChildren(...labels.get(button));
        labels.delete(button);
      }
    }
  };
  const isHtmx = (form) => form.closest("[hx-boost=true]") || form.matches("[hx-post], [hx-get], [hx-put], [hx-delete]");

  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.sending) {
      event.preventDefault();
      event.stopImmediatePropagation();
      return;
    }
    if (form.matches("[data-log-out]")) coat.forget?.();
    if (form.method !== "post" || form.target || isHtmx(form) || "plain" in form.dataset) return;
    if (form.matches("[data-upload], [data-draft]")) {
      event.preventDefault();
      send(form, event.submitter);
    } else if (!navigator.onLine) {
      event.preventDefault();
      toast("No signal, so nothing was sent. It is all still here.", { bad: true, again: () => form.requestSubmit(event.submitter) });
    } else {
      // After this turn, so that the pressed button's name still travels.
      setTimeout(() => { if (!event.defaultPrevented) busy(form, true, event.submitter); });
    }
  }, true);
  addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    all("form").forEach((form) => busy(form, false));
    freshIds(document, true);
    all(".toast").forEach((old) => old.remove());
    tick();
  });

  // Forms with photos or long text: sent here, so that a broken line loses nothing
  const contents = (form, submitter) => {
    const data = new FormData(form);
    if (submitter && submitter.name) data.append(submitter.name, submitter.value);
    return data;
  };
  const send = async (form, submitter) => {
    busy(form, true, submitter);
    await coat.photosReady?.(form);
    const data = contents(form, submitter);
    const photos = [...data.values()].filter((value) => value instanceof File && value.size);
    const request = new XMLHttpRequest();
    const target = new URL(form.getAttribute("action") || location.href, location.href);
    request.open("POST", target);
    const done = () => { busy(form, false); bar && bar.remove(); };
    const refuse = async (why) => {
      coat.draftTried?.(form, true);
      if ("offline" in form.dataset && await coat.keepFind?.(form, data)) {
        done();
        return;
      }
      done();
      toast(why, { bad: true, again: () => form.requestSubmit(submitter) });
    };
    let bar = null;
    if (photos.length) {
      const progress = make("progress", { max: 1, value: 0, "aria-label": "Sending the photos" });
      bar = make("div", { class: "uploading", role: "status" }, `Sending ${photos.length} photo${photos.length > 1 ? "s" : ""}…`, progress);
      form.append(bar);
      request.upload.onprogress = (step) => { if (step.lengthComputable) progress.value = step.loaded / step.total; };
    }
    request.onerror = request.ontimeout = () => refuse("No connection. Nothing you typed is lost.");
    request.timeout = photos.length ? 600000 : 60000;
    request.onload = () => {
      const page = parse(request.responseText);
      const fresh = form.id && page.getElementById(form.id);
      const refused = [400, 409, 422].includes(request.status) || (request.status === 200 && fresh && one("[aria-invalid=true], .form-errors", fresh));
      if (refused && (fresh || one("main", page))) {
        done();
        coat.draftTried?.(form, false);
        return takeBack(form, fresh, page);
      }
      if (one("input[type=password]", page) && !one("input[type=password]", form)) {
        carryToasts("<div class='toast'><span>Please log in again. What you typed is kept on this phone.</span></div>");
        return location.assign(request.responseURL);
      }
      // Only a form that was taken leads elsewhere, whatever ails the page it leads to.
      if (request.status < 300 || (request.responseURL && request.responseURL !== target.href)) {
        coat.draftDone?.(form);
        carryToasts(all(".toast", page).map((box) => box.outerHTML).join(""));
        return location.assign(request.responseURL || location.href);
      }
      const said = { 403: "The shop did not accept this form. Reload the page: what you typed is kept.", 413: "That is too much in one go. Send fewer photos." };
      refuse(said[request.status] || `The shop could not save it (${request.status}). Nothing you typed is lost.`);
    };
    request.send(data);
  };
  const takeBack = (form, fresh, page) => {
    if (!fresh) {
      one("main").replaceWith(document.adoptNode(one("main", page)));
      return ready(document);
    }
    const chosen = all("input[type=file]", form).filter((input) => input.files.length);
    const back = document.adoptNode(fresh);
    form.replaceWith(back);
    for (const old of chosen) {
      const input = all("input[type=file]", back).find((candidate) => candidate.name === old.name);
      if (input) input.files = old.files;
    }
    if (window.htmx) window.htmx.process(back);
    ready(back);
    const first = one(".form-errors, [aria-invalid=true]", back);
    if (first) first.focus();
  };

  // Timers: the server keeps the start, the page only counts from it
  const clock = (seconds) => {
    const two = (number) => String(number).padStart(2, "0");
    return `${Math.floor(seconds / 3600)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}`;
  };
  let skew = 0;
  const tick = () => all("[data-started]").forEach((face) => {
    face.textContent = clock(Math.max(0, Math.floor((Date.now() + skew) / 1000 - Number(face.dataset.started))));
  });
  let lock = null;
  const stayAwake = async () => {
    if (!("wakeLock" in navigator) || document.hidden || lock || !one("[data-awake]")) return;
    try {
      lock = await navigator.wakeLock.request("screen");
      lock.addEventListener("release", () => { lock = null; });
    } catch { /* low battery: the phone decides */ }
  };
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) { tick(); stayAwake(); }
  });

  // htmx neither shows nor repeats what failed
  const failed = (event, text) => {
    const { elt, requestConfig } = event.detail;
    const trigger = requestConfig && requestConfig.triggeringEvent;
    toast(text, {
      bad: true,
      again: () => (elt.tagName === "FORM" ? elt.requestSubmit() : window.htmx.trigger(elt, (trigger && trigger.type) || "click")),
    });
  };
  document.addEventListener("htmx:sendError", (event) => failed(event, "No connection. Nothing you typed is lost."));
  document.addEventListener("htmx:timeout", (event) => failed(event, "The shop did not answer. Nothing you typed is lost."));
  document.addEventListener("htmx:responseError", (event) => {
    const status = event.detail.xhr.status;
    if (status !== 401) failed(event, status === 403 ? "Only the owner may do that." : `That did not work (${status}).`);
  });
  document.addEventListener("htmx:beforeRequest", (event) => {
    const form = event.detail.elt;
    if (form.tagName === "FORM" && event.detail.requestConfig.verb !== "get") busy(form, true);
  });
  document.addEventListener("htmx:afterRequest", (event) => {
    const form = event.detail.elt;
    if (form.tagName !== "FORM" || event.detail.requestConfig.verb === "get") return;
    busy(form, false);
    if (!event.detail.successful) return;
    coat.draftDone?.(form);
    // The same button may be meant a second time: that is a new entry.
    if (form.isConnected) freshIds(form, true);
  });
  document.addEventListener("htmx:afterSettle", (event) => {
    const first = one(".form-errors, [aria-invalid=true]", event.detail.elt);
    if (first) first.focus();
  });

  const ready = (from) => {
    freshIds(from);
    all(".toast", from).forEach(tend);
    tick();
    stayAwake();
    all("input[data-zone]", from).filter((input) => !input.value).forEach((input) => {
      input.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
    });
    coat.ready?.(from);
  };
  Object.assign(coat, { all, one, make, toast, parse, stored, freshIds });

  document.addEventListener("DOMContentLoaded", () => {
    const now = Number(body().dataset.now) * 1000;
    if (now && Math.abs(now - Date.now()) > 5000) skew = now - Date.now();
    const carried = stored(sessionStorage, "toasts");
    const place = one("#toasts");
    if (place) {
      // Put in again, because a screen reader only speaks of what changes.
      const boxes = [...place.children, ...(carried ? all(".toast", parse(carried)) : [])];
      place.replaceChildren();
      setTimeout(() => { place.append(...boxes); boxes.forEach(tend); }, 60);
    }
    stored(sessionStorage, "toasts", null);
    // A long row of tabs shows the one she is on, with a neighbour on either side.
    all(".section-tabs [aria-current]").forEach((tab) => {
      const row = tab.closest("nav");
      row.scrollLeft += tab.getBoundingClientRect().left - row.getBoundingClientRect().left - (row.clientWidth - tab.offsetWidth) / 2;
    });
    ready(document);
    setInterval(() => { if (!document.hidden) tick(); }, 1000);
    document.addEventListener("htmx:load", (event) => { if (event.detail.elt !== body()) ready(event.detail.elt); });
  });
})();
