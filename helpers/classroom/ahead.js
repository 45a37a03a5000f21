// Shows a picture that the kernel has drawn ahead as soon as a key is pressed; ahead.py tells why.

const KEPT = 24; // pictures
const QUIET = 40; // milliseconds after the last answer before more pictures are asked for

const alike = (a, b) =>
  a === b || (typeof a === "number" && Math.abs(a - b) <= 1e-9 * Math.max(Math.abs(a), Math.abs(b)));

async function initialize({ model }) {
  const find = (name) => model.widget_manager.get_model(name);
  const controls = await Promise.all(model.get("controls").map(find));
  const image = await find(model.get("image"));
  const readout = await find(model.get("readout"));
  let kept = []; // {at, html, picture}, the newest last
  let wanted = []; // [control, direction], to be asked for one after the other
  let last = 0; // the control moved last: its neighbours come first
  let resting = true; // the kernel has answered the last change
  let timer, waiting;

  // Widgets give a slider's handle no name and a picture no text; without them a screen reader can tell neither.
  const viewsOf = async (widget) => (await Promise.all(Object.values(widget.views ?? {}))).map(({ el }) => el);
  const name = async () => {
    for (const control of controls) {
      for (const box of await viewsOf(control)) {
        box.querySelectorAll("[role='slider']").forEach((handle) => {
          handle.setAttribute("aria-label", control.get("description"));
        });
      }
    }
    const pictures = await viewsOf(image);
    pictures.forEach((picture) => picture.setAttribute("alt", model.get("alt")));
    clearTimeout(waiting);
    if (!pictures.length) waiting = setTimeout(name, 300); // not on the page yet
  };

  const values = () => controls.map((control) => control.get("index") ?? control.get("value"));
  const isNow = (at) => values().every((value, number) => alike(value, at[number]));
  const ask = () => wanted.length && model.send({ control: wanted[0][0], direction: wanted.shift()[1] });

  const rest = () => {
    resting = true;
    clearTimeout(timer);
    timer = setTimeout(() => {
      const order = [last, ...controls.keys()].filter((number, place, all) => all.indexOf(number) === place);
      wanted = order.flatMap((number) => [[number, 1], [number, -1]]);
      ask();
    }, QUIET);
  };

  const moved = (number) => {
    last = number;
    wanted = [];
    clearTimeout(timer);
    // Not while the kernel is still busy with an earlier change: its picture would then cover a newer one.
    const known = resting && kept.find(({ at }) => isNow(at));
    resting = false;
    if (known) {
      image.set("value", known.picture);
      readout.set("value", known.html);
    }
  };

  controls.forEach((control, number) => control.on("change:value change:index", () => moved(number)));
  model.on("msg:custom", (message, buffers) => {
    name(); // there may be another view of the panel since
    if (message.kind === "answer") {
      if (isNow(message.at)) rest();
      return;
    }
    if (message.kind === "picture") kept = [...kept, { ...message, picture: buffers[0] }].slice(-KEPT);
    ask();
  });
  name();
  rest();
}

export default { initialize };
