// Brings guesses, exercises and panels to life. Nothing is calculated here: every sentence and every picture was made
// when the pages were; only an answer that is typed is read and compared.
"use strict";

document.documentElement.classList.add("alive");

const dataOf = (piece) => JSON.parse(piece.querySelector(":scope > script").textContent);
const part = (piece, selector) => piece.querySelector(selector);

// A guess: say something or skip, then the answer opens.

function guess(form, after) {
  const { heads, answer, said, alone } = dataOf(form);
  const told = part(form, ".said");
  const range = part(form, "input[type=range]");
  const open = part(form, ".open");
  let head = "";
  if (range) {
    const shown = part(form, "output");
    const show = () => {
      shown.textContent = said[range.value];
      range.setAttribute("aria-valuetext", said[range.value]);
    };
    range.addEventListener("input", show);
    show();
  }
  const reveal = () => {
    told.textContent = head + answer;
    open.hidden = true;
  };
  const close = () => {
    const focused = form.contains(document.activeElement);
    form.querySelectorAll("input").forEach((input) => (input.disabled = true));
    form.querySelectorAll("[type=submit], .skip").forEach((button) => (button.hidden = true));
    if (alone) {
      reveal();
      return;
    }
    open.hidden = false;
    if (focused) open.focus();
    told.textContent = "Try it below, then open the answer.";
    after?.();
  };
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const chosen = range ?? part(form, "input:checked");
    if (!chosen) {
      told.textContent = "Choose one first, or skip.";
      return;
    }
    head = heads[chosen.value];
    close();
  });
  part(form, ".skip").addEventListener("click", close);
  open.addEventListener("click", reveal);
}

// An exercise: the typed number is read as the workbook reads it, and compared.

const NOT_YET = "… Not yet";
const WRONG = "✗ Not right yet";
const RIGHT = "✓ Right";

// Four significant digits, as Python's "%.4g" writes them.
function short(value) {
  if (value === 0) return "0";
  const [digits, power] = value.toExponential(3).split("e").map(Number);
  if (power < -4 || power >= 4) {
    return `${digits}e${power < 0 ? "-" : "+"}${String(Math.abs(power)).padStart(2, "0")}`;
  }
  return String(Number(value.toPrecision(4)));
}

// What a typed text may mean, as [number, unit]: a comma is a decimal point, or else parts the thousands.
function readings(text) {
  const found = /^\s*([-+−]?[\d.,]+(?:[eE][-+]?\d+)?)\s*(.*?)\s*$/su.exec(text.slice(0, 80));
  if (!found) return [];
  const digits = found[1].replace("−", "-");
  const meant = [];
  if (digits.split(",").length === 2 && !digits.includes(".")) meant.push(digits.replace(",", "."));
  if (/^[-+]?\d{1,3}(,\d{3})+(\.\d*)?$/.test(digits)) meant.push(digits.replaceAll(",", ""));
  return (meant.length ? meant : [digits]).map((number) => [Number(number), found[2]]);
}

function judge(kept, number, unit, text) {
  const named = kept.unit ? ` in ${kept.unit}` : "";
  const table = Object.hasOwn(kept.words, unit.toLowerCase()) ? kept.words : kept.units;
  const worth = unit ? table[table === kept.words ? unit.toLowerCase() : unit] : 1;
  if (Number.isNaN(number) || worth === undefined) {
    return [WRONG, `a number${named} is wanted, such as 1.5; “${text.slice(0, 40)}” can't be read as one.`];
  }
  if (worth === null) return [WRONG, `this answer has the unit “${unit}”; think${named || " of a plain number"}.`];
  const value = number * worth;
  if (!Number.isFinite(value)) return [WRONG, `a finite number${named} is wanted.`];
  const within = ([low, high]) => low <= value && value <= high;
  if (within(kept.right)) return [RIGHT, `${short(value)}${kept.unit ? ` ${kept.unit}` : ""}.`];
  const mistake = kept.mistakes.find(within);
  if (mistake) return [WRONG, mistake[2]];
  const size = value > kept.middle ? "too large" : "too small";
  return [WRONG, `${short(value)} is ${size}. Look at the hint, then try again.`];
}

function check(kept, text) {
  if (!text.trim()) return [NOT_YET, `type a number, such as ${kept.example}, then press Check.`];
  const replies = readings(text).map(([number, unit]) => judge(kept, number, unit, text));
  if (!replies.length) replies.push(judge(kept, NaN, "", text));
  return replies.find(([state]) => state === RIGHT) ?? replies[0];
}

function exercise(form) {
  const kept = dataOf(form);
  const told = part(form, ".said");
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const chosen = part(form, "input:checked");
    const typed = part(form, "input[type=text]");
    const unanswered = [NOT_YET, "choose one, then press Check."];
    const [state, message] = typed ? check(kept, typed.value) : chosen ? kept.replies[chosen.value] : unanswered;
    const mark = document.createElement("b");
    mark.textContent = `${state}:`;
    told.replaceChildren(mark, ` ${message}`);
  });
}

// A panel: choices keep their place, one slider moves at a time; its pictures lie side by side in strips, which are
// fetched when they are wanted.

function panel(section) {
  const { controls, keeping, moving, rows, a_strip: most } = dataOf(section);
  const inputs = [...section.querySelectorAll("[data-control]")];
  const frame = part(section, ".frame");
  const sentence = part(section, ".sentence");
  const note = part(section, ".note");
  const usual = note.textContent;
  const starts = controls.map(({ start }) => start);
  const loaded = new Map(); // file: its picture once it is there
  const placeOf = (input) => (input.type === "checkbox" ? Number(input.checked) : Number(input.value));
  const places = () => inputs.map(placeOf);
  let wanted = "";

  const put = (number, place) => {
    const input = inputs[number];
    if (input.type === "checkbox") input.checked = Boolean(place);
    else input.value = place;
    tell(number);
  };
  const tell = (number) => {
    const input = inputs[number];
    if (input.type !== "range") return;
    const text = controls[number].texts[placeOf(input)];
    input.setAttribute("aria-valuetext", text);
    part(input.parentElement, "output").textContent = text;
  };
  const fetched = (file) => {
    if (!loaded.has(file)) {
      const picture = new Image();
      picture.alt = "";
      picture.className = "strip";
      picture.src = file;
      loaded.set(
        file,
        picture.decode().then(
          () => picture,
          () => loaded.delete(file) && null,
        ),
      );
    }
    return loaded.get(file);
  };
  const show = async () => {
    const now = places();
    const moved = moving.find((number) => now[number] !== starts[number]) ?? moving[0];
    const row = rows[[...keeping.map((number) => now[number]), moved].join("-")];
    const place = now[moved];
    const strip = Math.floor(place / most);
    const count = Math.min(most, row.sentences.length - strip * most);
    wanted = `${row.files[strip]} ${place}`;
    const mine = wanted;
    sentence.textContent = row.sentences[place];
    const picture = await fetched(row.files[strip]);
    if (picture && wanted === mine) {
      picture.style.width = `${count * 100}%`;
      picture.style.transform = `translateX(${(-100 * (place % most)) / count}%)`;
      const shown = part(frame, ".strip");
      if (shown !== picture) {
        shown?.remove();
        frame.append(picture);
      }
      frame.dataset.shown = mine;
    }
    // the strips beside it, so that the next steps need not wait
    [strip - 1, strip + 1].forEach((next) => row.files[next] && fetched(row.files[next]));
  };
  const moved = (number) => {
    const back = moving.filter((other) => other !== number && placeOf(inputs[other]) !== starts[other]);
    if (moving.includes(number) && back.length) {
      back.forEach((other) => put(other, starts[other]));
      const names = back.map((other) => controls[other].label).join(", ");
      note.textContent = `Back at the start value: ${names}. ${usual}`;
    }
    tell(number);
    show();
  };
  inputs.forEach((input, number) => input.addEventListener("input", () => moved(number)));
  part(section, ".reset").addEventListener("click", () => {
    starts.forEach((start, number) => put(number, start));
    note.textContent = usual;
    show();
  });
  inputs.forEach((input, number) => {
    const play = part(input.parentElement, ".play");
    if (!play) return;
    let clock;
    play.addEventListener("click", () => {
      clearInterval(clock);
      clock = clock
        ? undefined
        : setInterval(() => {
            input.value = (placeOf(input) + 1) % controls[number].texts.length;
            moved(number);
          }, controls[number].interval);
      play.textContent = clock ? "Pause" : "Play";
    });
  });

  // The sentence and a part of the picture may hold the answer of the guess, so they wait for it.
  const picture = part(frame, "img");
  const told = sentence.textContent;
  const covered = section.querySelectorAll(".controls :is(input, select, button)");
  const cover = (is) => {
    sentence.textContent = is ? sentence.dataset.waiting : told;
    if (!is) picture.src = picture.dataset.whole;
    covered.forEach((each) => (each.disabled = is));
  };
  const asked = part(section, ".guess");
  if (asked) guess(asked, () => cover(false));
  cover(Boolean(asked));
  tellAll();
  function tellAll() {
    starts.forEach((start, number) => put(number, start)); // browsers keep what stood in a field over a reload
  }
}

document.querySelectorAll(".panel").forEach(panel);
document.querySelectorAll("main > .guess").forEach((form) => guess(form));
document.querySelectorAll(".exercise").forEach(exercise);

// What is wider than the page can be moved with the keys as well.
const reachable = () =>
  document.querySelectorAll(".wide").forEach((wide) => {
    if (wide.scrollWidth > wide.clientWidth) wide.tabIndex = 0;
    else wide.removeAttribute("tabindex");
  });
addEventListener("resize", reachable);
addEventListener("load", reachable);
document.addEventListener("toggle", reachable, true);
