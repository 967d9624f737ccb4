// Pictures of pages: shoot.mjs FOLDER FILE.html ... writes FOLDER/FILE-LOOK.png for each look.
import { basename, join } from "node:path";
import { looks, openPage, withBrowser } from "./browser.mjs";

const [folder, ...files] = process.argv.slice(2);

await withBrowser(async (browser) => {
  for (const file of files)
    for (const look of looks) {
      const { page, close } = await openPage(browser, file, look);
      const path = join(folder, `${basename(file, ".html")}-${look.name}.png`);
      await page.screenshot({ path, fullPage: true });
      await close();
    }
});
