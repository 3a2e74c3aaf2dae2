// From columns of time to columns of pixels: the true extremes of every pixel, and a scale that holds still.

import { roundStep } from "./figure.js";

/** Minimum and maximum for each pixel of a lane. */
export class Lane {
  constructor() {
    this.width = 0;
    this.low = 0;
    this.high = 1;
    this.resize(1);
  }

  resize(width) {
    if (width === this.width) return;
    this.width = width;
    this.min = new Float32Array(width);
    this.max = new Float32Array(width);
  }

  clear() {
    this.min.fill(NaN);
    this.max.fill(NaN);
  }

  /** Takes one column of time into every pixel it touches. */
  take(x0, x1, min, max) {
    if (!(min <= max) || x1 <= 0) return;
    const begin = Math.max(0, Math.floor(x0));
    const end = Math.min(this.width - 1, Math.max(begin, Math.ceil(x1) - 1));
    for (let x = begin; x <= end; x++) {
      if (!(this.min[x] <= min)) this.min[x] = min;
      if (!(this.max[x] >= max)) this.max[x] = max;
    }
  }

  /** Pixels from one reading to the next, as a median; more than one when the view is closer than the readings. */
  spacing() {
    const apart = [];
    let last = -1;
    for (let x = 0; x < this.width; x++) {
      if (Number.isNaN(this.min[x])) continue;
      if (last >= 0) apart.push(x - last);
      last = x;
    }
    return apart.sort((a, b) => a - b)[apart.length >> 1] ?? 1;
  }

  extremes() {
    let low = Infinity;
    let high = -Infinity;
    for (let x = 0; x < this.width; x++) {
      if (this.min[x] < low) low = this.min[x];
      if (this.max[x] > high) high = this.max[x];
    }
    return low <= high ? [low, high] : null;
  }

  /** Lets the scale follow the extremes: at once when they leave it, and when they fill less than a third of it. */
  rescale(extremes, least) {
    if (!extremes) return;
    const [low, high] = extremes;
    const span = Math.max(high - low, least);
    const shown = this.high - this.low;
    const outside = low < this.low || high > this.high;
    if (!outside && span > shown / 3) return;
    const middle = (low + high) / 2;
    const wanted = [Math.min(low, middle - span / 2) - span * 0.15, Math.max(high, middle + span / 2) + span * 0.15];
    const tick = roundStep((wanted[1] - wanted[0]) / 10);
    this.low = Math.floor(wanted[0] / tick) * tick;
    this.high = Math.ceil(wanted[1] / tick) * tick;
  }
}

/** Gives two lanes the same amperes per pixel, each about its own middle. */
export function sameScale(lanes) {
  const span = Math.max(...lanes.map((lane) => lane.high - lane.low));
  for (const lane of lanes) {
    const middle = (lane.low + lane.high) / 2;
    lane.low = middle - span / 2;
    lane.high = middle + span / 2;
  }
}
