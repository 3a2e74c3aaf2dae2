// Wheel, touch, mouse and keys on the trace.

import { find } from "./dom.js";

export function takeHand(trace) {
  const plot = trace.plot;
  const pointers = new Map();

  /** Where a pointer stands, as a share of the drawn width. */
  const share = (x) => {
    const box = plot.getBoundingClientRect();
    const { left, width } = trace.area ?? { left: 0, width: box.width };
    return Math.min(1, Math.max(0, (x - box.left - left) / width));
  };

  plot.addEventListener("wheel", (event) => {
    event.preventDefault();
    const sideways = event.shiftKey ? event.deltaY : event.deltaX;
    if (Math.abs(sideways) > Math.abs(event.deltaY) || event.shiftKey) trace.pan(sideways / 600 * trace.span_s);
    else trace.zoom(1.0016 ** event.deltaY, trace.following && share(event.clientX) > 0.85 ? 1 : share(event.clientX));
  }, { passive: false });

  plot.addEventListener("pointerdown", (event) => {
    plot.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, event.clientX);
  });

  plot.addEventListener("pointermove", (event) => {
    trace.point(share(event.clientX));
    if (!pointers.has(event.pointerId)) return;
    const width = trace.area?.width ?? plot.clientWidth;
    const before = [...pointers.values()];
    const moved = event.clientX - pointers.get(event.pointerId);
    pointers.set(event.pointerId, event.clientX);
    if (pointers.size === 1) {
      if (moved) trace.pan(-moved / width * trace.span_s);
      return;
    }
    const after = [...pointers.values()];
    const apart = (at) => Math.max(24, Math.abs(at[0] - at[1]));
    trace.zoom(apart(before) / apart(after), share((after[0] + after[1]) / 2));
  });

  for (const name of ["pointerup", "pointercancel"]) {
    plot.addEventListener(name, (event) => pointers.delete(event.pointerId));
  }
  plot.addEventListener("pointerleave", () => trace.point(null));
  plot.addEventListener("dblclick", (event) => trace.zoom(0.25, share(event.clientX)));

  plot.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const act = {
      ArrowLeft: () => trace.pan(-trace.span_s / (event.shiftKey ? 1 : 8)),
      ArrowRight: () => trace.pan(trace.span_s / (event.shiftKey ? 1 : 8)),
      "+": () => trace.move("in"), "=": () => trace.move("in"),
      "-": () => trace.move("out"), "−": () => trace.move("out"),
      ArrowUp: () => trace.move("in"), ArrowDown: () => trace.move("out"),
      Home: () => trace.visit(trace.span_s / 2),
      End: () => trace.setFollowing(true),
      0: () => trace.show(Infinity),
      PageUp: () => trace.nextEvent(-1),
      PageDown: () => trace.nextEvent(1),
    }[event.key];
    if (!act) return;
    event.preventDefault();
    act();
    find("#said").textContent = "";
  });
}
