// What a workbook's page does besides its widgets: live pictures take the place of saved ones, the bar says how far it
// is, too large files stay where they are, and a page that has fallen asleep says so.

const state = document.getElementById("state");
const share = document.getElementById("share");
const cells = [...document.querySelectorAll(".cell.code")];
const megabytes = Number(state.dataset.megabytes);
const EVERY = 15000; // milliseconds between two questions whether the page is awake
let asleep = false;

const say = (text) => {
  if (state.textContent !== text) state.textContent = text;
};

function wake(text) {
  asleep = true;
  say(text + " ");
  state.classList.add("asleep");
  const link = document.createElement("a");
  link.href = location.pathname;
  link.textContent = "Wake it up";
  state.append(link);
}

// JupyterLab shows a figure without the words that stand for it; the saved one has them.
const words = new Map();

function describe(cell) {
  cell.querySelectorAll(".live .jp-RenderedImage img").forEach((picture, number) => {
    picture.alt ||= words.get(cell)?.[number] ?? "";
  });
}

const isAlive = (cell) => cell.querySelector(".live .jp-OutputArea-output") !== null;

function look() {
  for (const cell of cells) {
    const saved = cell.querySelector(".saved");
    if (saved && isAlive(cell)) {
      words.set(cell, [...saved.querySelectorAll("img")].map(({ alt }) => alt));
      saved.remove();
    }
    describe(cell);
  }
  const alive = cells.filter((cell) => !cell.querySelector(".saved")).length;
  share.value = alive / cells.length;
  if (asleep || !alive) return;
  if (alive < cells.length) {
    say(`Coming alive: ${alive} of ${cells.length} parts. What is grey is still a saved picture.`);
  } else {
    say("All is alive.");
    share.hidden = true;
  }
}

new MutationObserver(look).observe(document.querySelector("main"), { childList: true, subtree: true });

// A file that is too large would break the connection.
document.addEventListener(
  "change",
  (event) => {
    const field = event.target;
    if (!(field instanceof HTMLInputElement) || field.type !== "file") return;
    const size = [...field.files].reduce((sum, file) => sum + file.size, 0) / 1e6;
    if (size <= megabytes) return;
    event.stopImmediatePropagation();
    event.preventDefault();
    field.value = "";
    alert(`Here at most ${megabytes} MB can be sent at once, and this is ${size.toFixed(0)} MB. Send fewer files.`);
  },
  true,
);

setInterval(async () => {
  if (asleep || document.hidden) return;
  try {
    const answer = await fetch(`state/${state.dataset.run}`);
    if (!answer.ok || !(await answer.json()).awake) wake("This page has fallen asleep, or you opened another one.");
  } catch {
    say("The connection is lost; trying again.");
  }
}, EVERY);
