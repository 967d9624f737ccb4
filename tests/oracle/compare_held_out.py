#!/usr/bin/env python3
"""Codecs and clean paths that had no part in choosing the thresholds: what is taken for a lossy codec, and what is not.

    compare_held_out.py MENDTONE

Vorbis and other rates of MP3 and Opus are to be noticed; brick walls, shaped noise and a pilot tone are not. What is
a codec but leaves no such sign (MP3 at 320 kbit/s; ADPCM and mu-law, whose errors are another kind) is printed, and
may only not be taken for a good unit: --path lossy is for these. Exit status 77 when a tool is not installed.
"""

import json
import pathlib
import shutil
import subprocess
import sys
import tempfile

from compare_codecs import UNITS, find, is_lossy, make_take
from tool import Check

TOOLS = {"sox": "sox", "opusenc": "opus-tools", "opusdec": "opus-tools", "lame": "lame"}

VORBIS = "sox {wav} -C {option} {coded}.ogg && sox {coded}.ogg -b 16 {out}"
MP3 = "lame --quiet -b {option} {wav} {coded} && lame --quiet --decode {coded} {out}"
OPUS = "opusenc --quiet --bitrate {option} {wav} {coded} && opusdec --quiet --rate 48000 {coded} {out}"
OTHER = "sox {wav} -e {option} {coded}.wav && sox {coded}.wav -e signed -b 16 {out}"

CODECS = [("Vorbis, quality", VORBIS, options) for options in ("0", "3", "6", "9")] \
    + [("MP3, kbit/s", MP3, options) for options in ("160", "256")] \
    + [("Opus, kbit/s", OPUS, options) for options in ("96", "192")]
UNNOTICED = [("MP3, kbit/s", MP3, "320"), ("", OTHER, "ima-adpcm"), ("", OTHER, "mu-law")]

# the last row is what a wireless link of the analogue kind does: its pilot, and a filter below it
CLEAN = ["sinc -L -15k", "sinc -15k", "sinc -L -16k", "sinc -16k", "sinc -L -19k", "sinc -19k", "dither -s",
         "dither -f gesemann"]
PILOT = "sox -n -r 48000 -c 2 -b 24 {coded}.wav synth 15.5 sine 19000 vol -40dB && " \
        "sox -m -v 1 {wav} -v 1 {coded}.wav -b 24 {out} trim 0 15.3"


def run(command, take, folder, option=""):
    out = folder / "out.wav"
    out.unlink(missing_ok=True)
    words = command.format(wav=take, coded=folder / "coded", out=out, option=option)
    subprocess.run(words, shell=True, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    return out


def results_of_path(check, path, kind):
    command = [check.tool, "analyse", str(path), "--path", kind, "--json", "-"]
    done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL, check=False)
    return json.loads(done.stdout)


def is_interrupted(results):
    return any("interrupted" in problem["text"] for problem in results["take"]["problems"])


def check_clean(check, take, folder):
    check.title("clean paths")
    for effect in CLEAN:
        results = check.results(run(f"sox {{wav}} -b 24 {{out}} {effect}", take, folder))
        check.true(f"{effect}: no codec, no interruption", not is_lossy(results) and not is_interrupted(results))
    results = check.results(run(PILOT, take, folder))
    check.true("pilot tone: no codec", not is_lossy(results))


def check_codecs(check, take, folder):
    check.title("codecs")
    for name, command, option in CODECS:
        check.true(f"{name} {option}: noticed", is_lossy(check.results(run(command, take, folder, option))))
    for name, command, option in UNNOTICED:
        noticed = is_lossy(check.results(run(command, take, folder, option)))
        print(f"  {name} {option}: {'noticed' if noticed else 'not noticed'}")


def check_path(check, take, folder):
    check.title("whoever knows the path says so")
    hidden = results_of_path(check, run(MP3, take, folder, "320"), "lossy")
    check.true("lossy: distortion is refused", find(hidden, "thd_n", "left")[0]["validity"] == "not_measured")
    check.true("lossy: level is read", find(hidden, "level", "left", "both")[0]["validity"] == "valid")
    known = results_of_path(check, run(OPUS, take, folder, "96"), "clean")
    # it may be refused all the same, as a tone that is not steady
    check.true("clean: nothing is laid to a codec",
               not is_lossy(known) and "codec" not in json.dumps(known["readings"]))


def main():
    for program, package in TOOLS.items():
        if not shutil.which(program):
            print(f"{program} is not installed (package {package})")
            return 77
    check = Check(sys.argv[1])
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        take = make_take(check.tool, UNITS["sound"], folder)
        check_codecs(check, take, folder)
        check_clean(check, take, folder)
        check_path(check, take, folder)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
