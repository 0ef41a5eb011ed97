"use strict";
// Marks in a photo by finger, mouse and keys. All of it only fills in the number fields of the form, which work
// alone where scripts are off.
(() => {
  const frame = document.getElementById("photo-frame");
  if (!frame) return;
  const FULL = 10000;
  const high = Number(frame.dataset.high);
  const svg = frame.querySelector("svg");
  const form = document.getElementById("marks-form");
  const said = document.getElementById("mark-said");
  const marks = [...svg.querySelectorAll(".mark")];
  const choosers = [...document.querySelectorAll("[data-choose]")];
  const rows = [...document.querySelectorAll("[data-patch]")];
  const field = (number, name) => form.elements[`p${number}-${name}`];
  const read = (number, name) => {
    const text = field(number, name).value.trim().replace(",", ".");
    return text === "" || Number.isNaN(Number(text)) ? null : Math.round(Number(text) * 100);
  };
  const write = (number, name, value) => {
    field(number, name).value = value === null ? "" : String(Math.round(value / 10) / 10);
  };
  const within = (value, most = FULL) => Math.max(0, Math.min(most, value));
  let chosen = 0;

  document.body.classList.add("has-script");

  const draw = (number) => {
    const mark = marks[number];
    const x = read(number, "x");
    const y = read(number, "y");
    const half = read(number, "half") || 250;
    const placed = x !== null && y !== null;
    mark.toggleAttribute("hidden", !placed);
    mark.classList.toggle("chosen", number === chosen);
    const name = field(number, "name").value || `Patch ${number + 1}`;
    choosers[number].setAttribute("aria-pressed", String(number === chosen));
    choosers[number].textContent = placed ? `✓ ${name}` : name;
    if (!placed) return;
    const left = x - half;
    const top = y * high / FULL - half;
    for (const box of mark.querySelectorAll("rect")) {
      box.setAttribute("x", left);
      box.setAttribute("y", top);
      box.setAttribute("width", 2 * half);
      box.setAttribute("height", 2 * half);
    }
    const label = mark.querySelector("text");
    label.textContent = name;
    label.setAttribute("x", within(left, FULL - 900));
    label.setAttribute("y", Math.max(300, top - 80));
    mark.setAttribute("aria-label", `${name}, ${Math.round(x / 100)} % across, ${Math.round(y / 100)} % down. Arrow keys move it, plus and minus change its size, Delete takes it away.`);
  };
  const drawAll = () => marks.forEach((_, number) => draw(number));
  const choose = (number) => {
    chosen = number;
    drawAll();
    choosers[number].scrollIntoView({ block: "nearest", inline: "nearest" });
  };
  const place = (number, x, y) => {
    write(number, "x", within(x));
    write(number, "y", within(y));
    if (!read(number, "half")) write(number, "half", 250);
    draw(number);
  };
  const at = (event) => {
    const box = svg.getBoundingClientRect();
    return [(event.clientX - box.left) / box.width * FULL, (event.clientY - box.top) / box.height * FULL];
  };
  const say = (text) => { said.textContent = text; };
  // After one mark the next patch without one is most likely meant.
  const next = () => {
    const free = marks.findIndex((_, number) => read(number, "x") === null && shown(number));
    if (free >= 0) choose(free);
  };
  const shown = (number) => !choosers[number].hidden;

  svg.addEventListener("click", (event) => {
    if (event.target.closest(".mark")) return;
    const number = chosen;
    const isNew = read(number, "x") === null;
    place(number, ...at(event));
    say(`${field(number, "name").value} is marked.`);
    if (isNew) next();
  });
  marks.forEach((mark, number) => {
    mark.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      choose(number);
      mark.setPointerCapture(event.pointerId);
      const [x, y] = at(event);
      const off = [read(number, "x") - x, read(number, "y") - y];
      const move = (step) => {
        const [toX, toY] = at(step);
        place(number, toX + off[0], toY + off[1]);
      };
      const end = () => {
        mark.removeEventListener("pointermove", move);
        mark.removeEventListener("pointerup", end);
        mark.removeEventListener("pointercancel", end);
      };
      mark.addEventListener("pointermove", move);
      mark.addEventListener("pointerup", end);
      mark.addEventListener("pointercancel", end);
    });
    mark.addEventListener("focus", () => { if (chosen !== number) choose(number); });
    mark.addEventListener("keydown", (event) => {
      const step = event.shiftKey ? 10 : 100;
      const x = read(number, "x");
      const y = read(number, "y");
      const tall = step * FULL / high;
      const moves = { ArrowLeft: [x - step, y], ArrowRight: [x + step, y], ArrowUp: [x, y - tall], ArrowDown: [x, y + tall] };
      if (moves[event.key]) place(number, ...moves[event.key]);
      else if (event.key === "+" || event.key === "=") resize(1.2);
      else if (event.key === "-") resize(1 / 1.2);
      else if (event.key === "Delete" || event.key === "Backspace") remove();
      else return;
      event.preventDefault();
    });
  });

  const resize = (by) => {
    write(chosen, "half", Math.max(40, Math.min(2000, (read(chosen, "half") || 250) * by)));
    draw(chosen);
  };
  const remove = () => {
    write(chosen, "x", null);
    write(chosen, "y", null);
    draw(chosen);
    say(`${field(chosen, "name").value} is taken away.`);
    choosers[chosen].focus();
  };
  const zoom = (times) => {
    const middle = [(frame.scrollLeft + frame.clientWidth / 2) / frame.scrollWidth, (frame.scrollTop + frame.clientHeight / 2) / frame.scrollHeight];
    frame.classList.remove("zoom-2", "zoom-4");
    if (times > 1) frame.classList.add(`zoom-${times}`);
    frame.scrollLeft = middle[0] * frame.scrollWidth - frame.clientWidth / 2;
    frame.scrollTop = middle[1] * frame.scrollHeight - frame.clientHeight / 2;
    document.querySelectorAll("[data-zoom]").forEach((button) => button.setAttribute("aria-pressed", String(Number(button.dataset.zoom) === times)));
  };
  // By keys alone: a patch without a mark gets one in the middle of what is seen, ready to be moved.
  choosers.forEach((button, number) => button.addEventListener("click", (event) => {
    choose(number);
    if (event.detail !== 0) return;
    if (read(number, "x") === null) {
      place(number, (frame.scrollLeft + frame.clientWidth / 2) / frame.scrollWidth * FULL, (frame.scrollTop + frame.clientHeight / 2) / frame.scrollHeight * FULL);
    }
    marks[number].focus();
  }));
  document.querySelectorAll("[data-zoom]").forEach((button) => button.addEventListener("click", () => zoom(Number(button.dataset.zoom))));
  document.querySelector("[data-larger]").addEventListener("click", () => resize(1.25));
  document.querySelector("[data-smaller]").addEventListener("click", () => resize(0.8));
  document.querySelector("[data-remove]").addEventListener("click", remove);
  document.querySelector("[data-grid]").addEventListener("click", () => frame.classList.toggle("no-grid"));
  form.addEventListener("input", drawAll);

  // Twelve rows are many on a phone: those without a mark wait until they are asked for.
  const more = document.querySelector("[data-more]");
  const hide = (number, on) => { choosers[number].hidden = on; rows[number].hidden = on; };
  let open = 0;
  rows.forEach((row, number) => {
    const placed = read(number, "x") !== null || row.querySelector("[aria-invalid=true]");
    if (!placed) open += 1;
    hide(number, !placed && open > 4);
  });
  const tell = () => { more.hidden = choosers.every((button) => !button.hidden); };
  more.addEventListener("click", () => {
    const number = choosers.findIndex((button) => button.hidden);
    if (number >= 0) {
      hide(number, false);
      choose(number);
    }
    tell();
  });
  tell();
  frame.classList.add("no-grid");
  drawAll();
  next();
})();
