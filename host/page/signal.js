// A sound and a flash for each event: eyes are on the board, hands are full. Each kind has its own figure in pitch, so
// that a dropout and a step are told apart without looking, and its own edge of the screen.

import { classed, find, say } from "./dom.js";

/** Pitches in hertz over time in seconds, and the wave. A dropout falls away, a step goes up and stays. */
const FIGURES = {
  dropout: { wave: "triangle", notes: [[0, 988], [0.09, 494], [0.18, 247]], length_s: 0.3 },
  step: { wave: "square", notes: [[0, 392], [0.14, 587]], length_s: 0.42, level: 0.45 },
  spike: { wave: "sine", notes: [[0, 1976]], length_s: 0.07 },
  chatter: { wave: "sawtooth", notes: [[0, 740], [0.05, 554], [0.1, 740], [0.15, 554], [0.2, 740]], length_s: 0.27, level: 0.5 },
};
/** No more flashes a second than are safe to look at (WCAG 2.2, success criterion 2.3.1: three). */
const FLASH_EVERY_MS = 400;

let context = null;
let on = false;
let flashedAt = -Infinity;

export function signals(store) {
  const button = find("#sound");
  // Wanted unless it was turned off: the first touch of the page allows it.
  const wanted = () => localStorage.getItem("sound") !== "off";
  const show = () => {
    button.setAttribute("aria-pressed", String(on));
    say(button, on ? "Sound on" : wanted() ? "Touch for sound" : "Sound off");
  };
  const turn = (to) => {
    on = to;
    // A browser lets a page sound only after a hand has touched it.
    if (on) (context ??= new AudioContext({ latencyHint: "interactive" })).resume();
    show();
  };
  button.addEventListener("click", () => {
    localStorage.setItem("sound", on ? "off" : "on");
    turn(!on);
    if (on) sound("step");
  });
  for (const name of ["pointerdown", "keydown"]) {
    addEventListener(name, (event) => {
      if (!on && wanted() && event.target !== button) turn(true);
    }, { once: true, capture: true });
  }
  store.on("event", (one) => {
    if (!one.grave || one.revised) return;
    sound(one.kind);
    flash(one.kind);
  });
  show();
}

function sound(kind) {
  const figure = FIGURES[kind] ?? FIGURES.spike;
  if (!on || context === null) return;
  const begins = context.currentTime;
  const level = 0.5 * (figure.level ?? 1);
  const tone = new OscillatorNode(context, { type: figure.wave, frequency: figure.notes[0][1] });
  const loudness = new GainNode(context, { gain: 0 });
  for (const [after_s, pitch] of figure.notes) tone.frequency.setValueAtTime(pitch, begins + after_s);
  loudness.gain.setValueAtTime(level, begins);
  loudness.gain.setValueAtTime(level, begins + figure.length_s * 0.7);
  loudness.gain.linearRampToValueAtTime(0, begins + figure.length_s);
  tone.connect(loudness).connect(context.destination);
  tone.start(begins);
  tone.stop(begins + figure.length_s);
}

function flash(kind) {
  const now = performance.now();
  if (now - flashedAt < FLASH_EVERY_MS) return;
  flashedAt = now;
  const where = find("#flash");
  classed(where, kind);
  void where.offsetWidth; // begins the animation anew
  classed(where, `${kind} shown`);
}
