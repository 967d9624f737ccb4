// A page in headless Chromium, as phone or desktop, light or dark.
import { createRequire } from "node:module";
import { mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

// NODE_MODULES: where scripts/setup put what package.json names.
const require = createRequire(resolve(process.env.NODE_MODULES, "here.js"));
export const { chromium } = require("playwright-core");
export const { HtmlValidate } = require("html-validate");
export const axeSource = require("axe-core").source;

export const looks = [
  { name: "desktop-light", width: 1280, height: 900, scale: 1, scheme: "light" },
  { name: "desktop-dark", width: 1280, height: 900, scale: 1, scheme: "dark" },
  { name: "phone-light", width: 390, height: 844, scale: 2, scheme: "light" },
  { name: "phone-dark", width: 390, height: 844, scale: 2, scheme: "dark" },
];

const flags = [
  "--disable-gpu",
  "--disable-quic",
  "--no-first-run",
  "--disable-background-networking",
  "--disable-component-update",
  "--disable-sync",
];

/** Run work(browser) with a browser that leaves nothing behind. */
export async function withBrowser(work) {
  const profile = mkdtempSync(join(tmpdir(), "page-test-"));
  const browser = await chromium.launch({
    executablePath: process.env.CHROMIUM || "/usr/bin/chromium",
    chromiumSandbox: false,
    args: flags,
    env: { ...process.env, HOME: profile, XDG_CONFIG_HOME: profile, XDG_CACHE_HOME: profile },
  });
  try {
    return await work(browser);
  } finally {
    await browser.close();
    rmSync(profile, { recursive: true, force: true });
  }
}

/** Open a file in one look. @return the page, and every address it asked for besides its own. */
export async function openPage(browser, file, look, options = {}) {
  const context = await browser.newContext({
    viewport: { width: look.width, height: look.height },
    deviceScaleFactor: look.scale,
    colorScheme: look.scheme,
    ...options,
  });
  const page = await context.newPage();
  const own = pathToFileURL(resolve(file)).href;
  const asked = [];
  page.on("request", (request) => {
    if (request.url() !== own) asked.push(request.url());
  });
  await page.goto(own, { waitUntil: "load" });
  return { page, asked, close: () => context.close() };
}
