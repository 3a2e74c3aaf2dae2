// The way to the program: the stream of what happens, questions, and changes with the token.
//
// The stream is read with fetch, since a header can then carry the token. After a break, after sleep of this device and
// after a restart of the program it is taken up again where it ended: the program is told the last number that came, and
// says what is lost for good.

const SILENCE_MS = 4000;
const WAIT_MS = [250, 500, 1000, 2000, 4000];

export const token = takeToken();

/** The token stands behind the # of the printed link. It is taken out of the address, where a photograph would show it,
 *  and kept for this tab only. */
function takeToken() {
  const given = /(?:^#|&)token=([0-9A-Za-z_-]+)/.exec(location.hash)?.[1];
  if (given) {
    sessionStorage.setItem("token", given);
    history.replaceState(null, "", location.pathname);
  }
  return sessionStorage.getItem("token");
}

const headers = (more = {}) => (token ? { ...more, Authorization: `Bearer ${token}` } : more);

/** What the program says no with, in its own words. */
export class Refused extends Error {
  constructor(status, words) {
    super(words || `the program answered ${status}`);
    this.status = status;
  }
}

async function answered(response) {
  if (response.ok) return response.status === 204 ? null : readBody(response);
  throw new Refused(response.status, wordsOf(await response.text()));
}

async function readBody(response) {
  const text = await response.text();
  return text ? JSON.parse(text) : null;
}

function wordsOf(text) {
  try {
    return JSON.parse(text).fault ?? text;
  } catch {
    return text;
  }
}

/** Asks; gives the answer's JSON. */
export async function ask(path, signal) {
  return answered(await fetch(path, { headers: headers(), signal }));
}

/** Asks for a file with the token, which a link cannot carry, and saves it under this name. */
export async function save(path, name) {
  const response = await fetch(path, { headers: headers() });
  if (!response.ok) throw new Refused(response.status, wordsOf(await response.text()));
  const link = document.createElement("a");
  link.href = URL.createObjectURL(await response.blob());
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 60_000);
}

/** Changes something. */
export async function change(path, body = {}) {
  return answered(await fetch(path, {
    method: "POST", headers: headers({ "Content-Type": "application/json" }), body: JSON.stringify(body),
  }));
}

/** Cuts a stream of text into its events. */
export function eventCutter(take) {
  let rest = "";
  return (text) => {
    rest = (rest + text).replaceAll("\r\n", "\n");
    let end;
    while ((end = rest.indexOf("\n\n")) >= 0) {
      const event = { name: "message", id: null, data: "" };
      for (const line of rest.slice(0, end).split("\n")) {
        const [, field, value] = /^([a-z]*): ?(.*)$/.exec(line) ?? [];
        if (field === "event") event.name = value;
        else if (field === "id") event.id = value;
        else if (field === "data") event.data += value;
      }
      rest = rest.slice(end + 2);
      take(event);
    }
  };
}

/** Follows the stream for ever. `told` gets name, data and number of each event, `stands` the words of the connection. */
export function follow(told, stands) {
  let lastId = null;
  let failures = 0;
  let heard = performance.now();
  let running = null;

  const take = (event) => {
    if (event.id !== null) lastId = event.id;
    if (event.data) told(event.name, JSON.parse(event.data), event.id === null ? null : Number(event.id));
  };

  async function once() {
    running = new AbortController();
    const asked = headers({ Accept: "text/event-stream" });
    if (lastId !== null) asked["Last-Event-ID"] = lastId;
    const response = await fetch("/v1/live", { headers: asked, signal: running.signal, cache: "no-store" });
    if (!response.ok) throw new Refused(response.status, wordsOf(await response.text()));
    failures = 0;
    heard = performance.now();
    stands("connected");
    const reader = response.body.getReader();
    const decoder = new TextDecoder();
    const cut = eventCutter(take);
    for (;;) {
      const { done, value } = await reader.read();
      if (done) return;
      heard = performance.now();
      cut(decoder.decode(value, { stream: true }));
    }
  }

  async function always() {
    for (;;) {
      let words = "the program ended the connection";
      try {
        await once();
      } catch (error) {
        words = error instanceof Refused ? error.message : "no answer from the program";
      }
      stands("lost", words);
      const wait = WAIT_MS[Math.min(failures++, WAIT_MS.length - 1)];
      await new Promise((resolve) => setTimeout(resolve, wait));
    }
  }

  // A connection may die without a word, above all when this device slept.
  const look = () => {
    if (performance.now() - heard > SILENCE_MS) running?.abort();
  };
  setInterval(look, 1000);
  for (const name of ["online", "pageshow", "visibilitychange"]) addEventListener(name, look);
  always();
}
