#!/usr/bin/env python3
"""Reports of every kind of job, held against the standards of their forms by programs that are not ours.

    check_reports.py TOOL FIXTURES NODE_FOLDER

HTML: a validator and accessibility rules, in a browser, on both widths and colours (check.mjs); nothing is loaded,
nothing is larger than a megabyte. PDF: fonts embedded, size of the paper, numbered pages. Both: every figure that the
results hold can be searched for. NODE_FOLDER is where scripts/setup-pages installed what package.json names.
"""

import html
import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile

HERE = pathlib.Path(__file__).resolve().parent
TOOL, FIXTURES, NODE_FOLDER = (pathlib.Path(argument).resolve() for argument in sys.argv[1:4])
NAMES = ("demo", "states", "one", "long", "wireless", "failing", "undecided", "hostile", "shelf")
VALUED = ("valid", "rig_limited")
failures = []


def complain(text):
    failures.append(text)
    print("FAILED:", text)


def skip(reason):
    print(reason)
    sys.exit(77)


def check_prerequisites():
    for program, package in (("node", "nodejs"), ("chromium", "chromium"), ("pdffonts", "poppler-utils"),
                             ("pdfinfo", "poppler-utils"), ("pdftotext", "poppler-utils")):
        if shutil.which(program) is None:
            skip(f"{program} is missing: apt-get install {package}")
    if not (NODE_FOLDER / "node_modules/axe-core").is_dir():
        skip("the page checkers are missing: scripts/setup-pages installs them")


def run(*arguments, **options):
    return subprocess.run([str(a) for a in arguments], capture_output=True, text=True, stdin=subprocess.DEVNULL,
                          check=False, **options)


# ---- HTML ----------------------------------------------------------------------------------------------------

def check_pages(*files):
    """Whether the pages pass; what is wrong with them is printed."""
    done = run("node", HERE / "check.mjs", *files,
               env={**os.environ, "NODE_MODULES": str(NODE_FOLDER / "node_modules"),
                    "CHROMIUM": shutil.which("chromium")})
    return done.returncode == 0, done.stdout + done.stderr


def check_the_checkers(folder):
    """A page with one fault of each kind is refused for each of them."""
    bad = folder / "bad.html"
    bad.write_text('<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>bad</title></head>\n'
                   '<body><main><h1>bad</h1><p style="color:#bbb;background:#fff">too pale</p>\n'
                   '<p style="width:2000px">too wide</p><img src="gone.png"><ul><p>misplaced</p></ul></main></body>'
                   '</html>\n', encoding="utf-8")
    passes, said = check_pages(bad)
    if passes:
        complain("a bad page passes")
    for sign in ("gone.png", "color-contrast", "wider than the screen", "image-alt", "element-permitted-content"):
        if sign not in said:
            complain(f"the bad page is not refused for {sign}: {said[-2000:]}")


def text_of_page(path):
    page = path.read_text(encoding="utf-8")
    page = re.sub(r"<style.*?</style>|<svg.*?</svg>", " ", page, flags=re.S)
    return html.unescape(re.sub(r"<[^>]*>", " ", page))


# ---- PDF -----------------------------------------------------------------------------------------------------

def check_fonts(path):
    lines = run("pdffonts", path).stdout.splitlines()[2:]
    if not lines:
        complain(f"{path.name}: has no fonts, so no text")
    for line in lines:
        embedded, subset, to_unicode = line.split()[-5:-2]
        if embedded != "yes" or to_unicode != "yes":
            complain(f"{path.name}: a font is not embedded, or its letters cannot be searched: {line} ({subset})")


def check_paper(path, size, text):
    info = run("pdfinfo", "-f", "1", "-l", "999", path)
    if info.returncode != 0 or info.stderr:
        complain(f"{path.name}: pdfinfo: {info.stderr}")
    pages = int(re.search(r"^Pages: +(\d+)", info.stdout, re.M).group(1))
    sizes = re.findall(r"^Page +\d+ size: +(.*)", info.stdout, re.M)
    if len(sizes) != pages or any(size not in one for one in sizes):
        complain(f"{path.name}: pages of {set(sizes)}; expected {size}")
    if not re.search(r"^Title: +\S", info.stdout, re.M):
        complain(f"{path.name}: has no title")
    for page in range(1, pages + 1):
        if f"page {page} of {pages}" not in text:
            complain(f"{path.name}: no \"page {page} of {pages}\"")


# ---- figures -------------------------------------------------------------------------------------------------

def numbers_of(text):
    """Each number of a text, with half a unit of its last place."""
    for number in set(re.findall(r"-?\d+(?:\.\d+)?", text)):
        decimals = len(number.partition(".")[2])
        yield float(number), 0.5 * 10.0 ** -decimals


def check_figures(name, text, results):
    """What was read is there, rounded, and not by more than its uncertainty."""
    shown = list(numbers_of(text))
    figures = [r for r in results["readings"]
               if r["validity"] in VALUED and isinstance(r["value"], (int, float)) and r["quantity"] != "polarity"]
    if len(figures) < 20:
        complain(f"{name}: the results hold only {len(figures)} figures")
    for r in figures:
        value = r["value"] * (1000.0 if r["unit"] == "s" else 1.0)
        # Two figures of the uncertainty are shown, or what a bench can tell: at most four decimals, three of ms.
        coarsest = max(0.5 * (r["uncertainty"] or 0.0) * (1000.0 if r["unit"] == "s" else 1.0), 0.0051)
        # a bound is rounded to the safe side, by up to a whole unit of its last place
        reach = 2.001 if r["validity"] == "rig_limited" else 1.001
        if not any(abs(value - there) <= half * reach and half <= coarsest for there, half in shown):
            complain(f"{name}: {r['quantity']} {r['channel']} {r['segment']} {r['state']} is {r['value']} {r['unit']} "
                     "and is not in the text")


def results_of(folder, name):
    jobs = {"demo": "demo/job"}
    if name in jobs:
        job = folder / jobs[name]
    else:
        job = next(j for j in sorted((folder / "jobs").iterdir()) if (folder / f"{name}.job").read_text().strip() ==
                   str(j))
    stages = {path.parent.name: path for path in job.glob("stages/*/results.json")}
    return json.loads((stages.get("after") or stages["before"]).read_text(encoding="utf-8"))


def check_json(path, results):
    """The same report for a program: whole tables, and every verdict and chart."""
    report = json.loads(path.read_text(encoding="utf-8"))
    if (report["format"], report["format_version"]) != ("mendtone-report", 1):
        complain(f"{path.name}: is {report['format']} {report['format_version']}")
    kinds = [block["kind"] for block in report["blocks"]]
    if kinds[0] != "verdict" or report["blocks"][0]["verdict"] != results["verdict"]:
        complain(f"{path.name}: does not begin with the verdict {results['verdict']}")
    for block in report["blocks"]:
        if block["kind"] == "table" and any(len(row) != len(block["head"]) for row in block["rows"]):
            complain(f"{path.name}: a table with rows of different lengths: {block['caption']}")
    lines = [line for block in report["blocks"] if block["kind"] == "chart" for line in block["lines"]]
    if not any(len(line["x"]) == len(line["y"]) > 50 for line in lines):
        complain(f"{path.name}: no chart has a line of many points")


def check_report(folder, name):
    page, paper = folder / f"{name}.html", folder / f"{name}.pdf"
    text = run("pdftotext", "-layout", paper, "-").stdout
    if page.stat().st_size >= 1e6:
        complain(f"{page.name}: {page.stat().st_size} bytes; expected less than 1 MB")
    check_fonts(paper)
    check_paper(paper, "(A4)", text)
    if name != "shelf":
        results = results_of(folder, name)
        check_figures(paper.name, text, results)
        check_figures(page.name, text_of_page(page), results)
        check_json(folder / f"{name}.json", results)


def check_hostile(folder):
    """What looks like markup or a command stays text, in every form."""
    for path, text in ((folder / "hostile.html", text_of_page(folder / "hostile.html")),
                       (folder / "hostile.pdf", run("pdftotext", folder / "hostile.pdf", "-").stdout),
                       (folder / "hostile.txt", (folder / "hostile.txt").read_text(encoding="utf-8"))):
        for part in ("</title><script>x</script>", "gpj.exe", '"quoted" & <b>bold', "=SUM(A1) & </table>"):
            if part not in " ".join(text.split()):
                complain(f"{path.name}: {part} is not there as it was typed")
        for part in ("\u202e", "\x1b", "\x01"):
            if part in text:
                complain(f"{path.name}: {part!r} is still there")


def main():
    check_prerequisites()
    with tempfile.TemporaryDirectory(prefix="reports ") as scratch:
        folder = pathlib.Path(scratch)
        made = run(HERE / "make-jobs", TOOL, FIXTURES, folder)
        if made.returncode != 0:
            sys.exit(f"the jobs could not be made: {made.stdout}{made.stderr}")
        for name in NAMES:
            check_report(folder, name)
        check_hostile(folder)
        letter = folder / "demo-letter.pdf"
        check_fonts(letter)
        check_paper(letter, "(letter)", run("pdftotext", letter, "-").stdout)
        passes, said = check_pages(*(folder / f"{name}.html" for name in NAMES))
        if not passes:
            complain(said)
        check_the_checkers(folder)
    print(f"{len(NAMES)} reports, {len(failures)} failures")
    sys.exit(1 if failures else 0)


if __name__ == "__main__":
    main()
