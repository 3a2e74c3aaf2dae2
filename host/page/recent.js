// The last minute and a half of full-rate extremes, as the stream brings them: a ring of columns, for drawing only.

const COLUMNS = 16384;
const SERIES = ["min1", "max1", "min2", "max2", "temperature1", "temperature2"];

export class Recent {
  constructor() {
    this.column_s = 0.005;
    this.clear();
  }

  clear() {
    for (const name of SERIES) this[name] = new Float32Array(COLUMNS).fill(NaN);
    this.first = 0;
    this.next = 0;
  }

  /** Takes the columns of one state; `temperatures` stand for all of them. */
  push(recent, temperatures) {
    if (!recent || !recent.ch1_min?.length) return;
    const start = Math.round(recent.start_elapsed_s / recent.column_s);
    if (this.next === 0 || recent.column_s !== this.column_s || start < this.next - COLUMNS / 2 || start > this.next + COLUMNS) {
      this.column_s = recent.column_s;
      this.clear();
      this.first = this.next = start;
    }
    // Between this and what came before, something is not known here: the trace asks the program for it.
    if (start > this.next) this.first = this.next = start;
    const t = temperatures.map((celsius) => celsius ?? NaN);
    for (let i = 0; i < recent.ch1_min.length; i++) {
      const at = (value) => value?.[i] ?? NaN;
      this.put(start + i, at(recent.ch1_min), at(recent.ch1_max), at(recent.ch2_min), at(recent.ch2_max), t[0], t[1]);
    }
    this.next = Math.max(this.next, start + recent.ch1_min.length);
    this.first = Math.max(this.first, this.next - COLUMNS);
  }

  put(number, min1, max1, min2, max2, temperature1, temperature2) {
    const i = number % COLUMNS;
    this.min1[i] = min1;
    this.max1[i] = max1;
    this.min2[i] = min2;
    this.max2[i] = max2;
    this.temperature1[i] = temperature1;
    this.temperature2[i] = temperature2;
  }

  /** Board time of the oldest and the newest column's edges. */
  get from_s() { return this.first * this.column_s; }
  get to_s() { return this.next * this.column_s; }

  /** Columns that touch a window, as `visit(start_s, index)`; the index is for the series of this object. */
  within(from_s, to_s, visit) {
    const begin = Math.max(this.first, Math.floor(from_s / this.column_s));
    const end = Math.min(this.next, Math.ceil(to_s / this.column_s));
    for (let number = begin; number < end; number++) visit(number * this.column_s, number % COLUMNS);
  }
}
