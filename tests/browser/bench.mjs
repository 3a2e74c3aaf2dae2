// A program that records a virtual bench, and a browser that looks at its page.

import { spawn } from "node:child_process";
import { mkdtemp, mkdir, rm } from "node:fs/promises";
import { createInterface } from "node:readline";
import { tmpdir } from "node:os";
import path from "node:path";
import { chromium } from "playwright-core";

const FOLDER = import.meta.dirname ?? path.dirname(new URL(import.meta.url).pathname);
export const STEADY = process.env.STEADY ?? path.join(FOLDER, "../../target/debug/steady");
const BROWSER = process.env.STEADYBENCH_CHROMIUM ?? "/usr/bin/chromium";
const PICTURES = process.env.STEADYBENCH_PICTURES ?? path.join(FOLDER, "../../target/pictures");

export const VIEWS = { desktop: { width: 1440, height: 1000 }, phone: { width: 390, height: 844 } };

/** A collector on a virtual bench. `job` goes on with a folder, `listen` with an address. */
export async function collect(scenario, { kind = "tap", more = [], job, listen = "127.0.0.1:0" } = {}) {
  const folder = job ?? path.join(await mkdtemp(path.join(tmpdir(), "steady-page-")), "job");
  const program = spawn(STEADY, ["collect", "--port", `virtual:${scenario}`, "--job", folder, "--as", kind, "--listen", listen, ...more],
    { stdio: ["ignore", "pipe", "pipe"] });
  const said = [];
  const link = await new Promise((resolve, reject) => {
    const late = setTimeout(() => reject(new Error(`no link within a minute: ${said.join("\n")}`)), 60_000);
    const read = (line) => {
      said.push(line);
      const found = /http:\/\/[^ ]+#token=[0-9a-f]+/.exec(line);
      if (!found) return;
      clearTimeout(late);
      resolve(found[0]);
    };
    for (const stream of [program.stdout, program.stderr]) createInterface({ input: stream }).on("line", read);
    program.on("error", reject);
    program.on("exit", (code) => reject(new Error(`the program ended with ${code}: ${said.join("\n")}`)));
  });
  const ended = new Promise((resolve) => program.on("exit", resolve));
  return {
    folder,
    link,
    address: new URL(link).host,
    pid: program.pid,
    /** Ends it as a crash would. */
    async kill() {
      program.kill("SIGKILL");
      await ended;
    },
    async end() {
      if (program.exitCode === null && program.signalCode === null) {
        program.kill("SIGINT");
        const late = setTimeout(() => program.kill("SIGKILL"), 20_000);
        await ended;
        clearTimeout(late);
      }
      if (!job) await rm(path.dirname(folder), { recursive: true, force: true });
    },
  };
}

/** The browser; as root it runs only without its sandbox, and it shows this project's pages only. */
export function browse() {
  return chromium.launch({ executablePath: BROWSER, args: process.getuid?.() === 0 ? ["--no-sandbox"] : [] });
}

/** Opens the page; what it complains of in the browser's console is kept in `complaints`. */
export async function open(browser, link, { view = "desktop", scheme = "light", ...more } = {}) {
  const context = await browser.newContext({ viewport: VIEWS[view], colorScheme: scheme, deviceScaleFactor: view === "phone" ? 2 : 1, ...more });
  await context.addInitScript(listen);
  const page = await context.newPage();
  page.complaints = [];
  page.on("pageerror", (error) => page.complaints.push(error.stack));
  page.on("console", (message) => {
    // A request that is refused or cut off is told there too; tests that cause one look at the page for it.
    if (message.type() === "error" && !message.text().startsWith("Failed to load resource")) page.complaints.push(message.text());
  });
  await page.goto(link);
  return page;
}

/** Keeps every tone the page starts: which figure, and when it can be heard. Runs in the page. */
function listen() {
  window.heard = [];
  const start = AudioBufferSourceNode.prototype.start;
  AudioBufferSourceNode.prototype.start = function (when = 0, ...more) {
    const { baseLatency, outputLatency, currentTime } = this.context;
    const [base_ms, output_ms] = [(baseLatency || 0) * 1000, (outputLatency || 0) * 1000];
    const begins_ms = performance.timeOrigin + performance.now() + Math.max(0, when - currentTime) * 1000;
    const samples = this.buffer.getChannelData(0);
    window.heard.push({ figure: this.buffer.figure, sum: samples.reduce((sum, one) => sum + Math.abs(one), 0), state: this.context.state, base_ms,
      output_ms, begins_ms, at_ms: begins_ms + base_ms + output_ms });
    return start.call(this, when, ...more);
  };
}

/** Keeps a picture for whoever wants to look. */
export async function picture(page, name) {
  await mkdir(PICTURES, { recursive: true });
  await page.screenshot({ path: path.join(PICTURES, `${name}.png`) });
}

/** Waits until the big figures show numbers. */
export async function figuresShown(page) {
  await page.waitForFunction(() => [...document.querySelectorAll(".current span:first-child")].length === 2 &&
    [...document.querySelectorAll(".current span:first-child")].every((figure) => /^[−0-9.]+$/.test(figure.textContent)), null, { timeout: 20_000 });
}
