// Hold pages against the HTML standard and the accessibility rules of WCAG 2.2 AA: check.mjs FILE.html ...
// Each is opened in two looks that share neither width nor colours, so that both of each are seen.
import { basename } from "node:path";
import { axeSource, HtmlValidate, looks, openPage, withBrowser } from "./browser.mjs";

const rules = new HtmlValidate({ root: true, extends: ["html-validate:recommended", "html-validate:document"] });
const seen = looks.filter((look) => ["desktop-light", "phone-dark"].includes(look.name));
const tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"];
let failures = 0;

function complain(file, text) {
  failures++;
  console.log(`FAILED: ${basename(file)}: ${text}`);
}

async function validate(file) {
  const report = await rules.validateFile(file);
  for (const result of report.results)
    for (const m of result.messages) complain(file, `line ${m.line}: ${m.message} (${m.ruleId})`);
}

async function see(browser, file, look) {
  const errors = [];
  const { page, asked, close } = await openPage(browser, file, look, { bypassCSP: true });
  page.on("pageerror", (error) => errors.push(error.message));
  for (const address of asked) complain(file, `asks for ${address}`);
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - window.innerWidth);
  if (wide > 0) complain(file, `${look.name}: the page is ${wide} px wider than the screen`);
  await page.evaluate(axeSource);
  const found = await page.evaluate((values) => window.axe.run({ runOnly: { type: "tag", values } }), tags);
  for (const violation of found.violations)
    for (const node of violation.nodes)
      complain(file, `${look.name}: ${violation.id}: ${node.html.slice(0, 100)}: ${node.failureSummary}`);
  if (found.passes.length < 10) complain(file, `only ${found.passes.length} rules were tried`);
  await close();
}

const files = process.argv.slice(2);
if (files.length === 0) complain("check.mjs", "no page is named");
for (const file of files) await validate(file);
await withBrowser(async (browser) => {
  for (const file of files) for (const look of seen) await see(browser, file, look);
});
console.log(`${files.length} pages, ${failures} failures`);
process.exitCode = failures > 0 ? 1 : 0;
