#!/usr/bin/env python3
"""Codecs and clean paths that had no part in choosing the thresholds: what is taken for a lossy codec, and what is not.

    compare_held_out.py MENDTONE

Vorbis and other rates of MP3 and Opus are to be noticed; brick walls, shaped noise, few bits, a pilot tone and
effects are not. Decoders of few bits are told by the values of the samples: thresholds were chosen on the unit
"sound" through mu-law and IMA ADPCM, with a look at A-law and MS ADPCM; the other unit, the volume after them and
another rate are held out. What is a codec but may leave no such sign (MP3 at 320 kbit/s; decoders whose output was
changed: see compare_few_bits.py) is printed, with what it adds to THD+N: --path lossy is for these.
Exit status 77 when a tool is not installed.
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
UNNOTICED = [("MP3, kbit/s", MP3, "320"), ("turned down, dithered,", OTHER + " vol 0.7", "ima-adpcm"),
             ("turned down, dithered,", OTHER + " vol 0.7", "mu-law"),
             ("at 44.1 kHz, then 48,", "sox {wav} -r 44100 -e {option} {coded}.wav && "
              "sox {coded}.wav -r 48000 -e signed -b 16 {out}", "mu-law")]
# sox dithers what it turns down, unless told not to
TURNED = "sox {wav} -e {option} {coded}.wav && sox -D {coded}.wav -e signed -b 16 {out}"
DECODERS = [("mu-law", OTHER), ("ima-adpcm", OTHER), ("a-law", OTHER), ("ms-adpcm", OTHER),
            ("mu-law", TURNED + " vol 0.7"), ("a-law", TURNED + " vol -3dB")]
# errors 38 dB down, all of them in phase with the tone
DECODER_DB = 0.11

# the last row is what a wireless link of the analogue kind does: its pilot, and a filter below it
CLEAN = ["sinc -L -15k", "sinc -15k", "sinc -L -16k", "sinc -16k", "sinc -L -19k", "sinc -19k", "dither -s",
         "dither -f gesemann", "overdrive 5", "contrast 20", "compand 0.01,0.1 -80,-80,-20,-30,0,0", "vol 0.37"]
FEW_BITS = "sox {wav} -b {option} {coded}.wav && sox {coded}.wav -e signed -b 16 {out}"
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
    for bits in ("8", "16"):
        check.true(f"{bits} bits: no codec", not is_lossy(check.results(run(FEW_BITS, take, folder, bits))))
    results = check.results(run(PILOT, take, folder))
    check.true("pilot tone: no codec", not is_lossy(results))


def check_codecs(check, take, folder):
    check.title("codecs")
    for name, command, option in CODECS:
        check.true(f"{name} {option}: noticed", is_lossy(check.results(run(command, take, folder, option))))
    plain = find(check.results(take), "thd_n", "left")[0]["value"]
    for name, command, option in UNNOTICED:
        results = check.results(run(command, take, folder, option))
        thd_n = find(results, "thd_n", "left")[0]
        shown = "noticed" if is_lossy(results) else "not noticed"
        more_db = (thd_n["value"] or 0.0) - plain
        print(f"  {name} {option}: {shown}, THD+N {thd_n['validity']}, {more_db:+.2f} dB")
        if command == MP3:  # of it 0.5 dB are the rounding to 16 bits
            check.true("  noticed, or it adds but 2 dB to THD+N", is_lossy(results) or more_db <= 2.0)


def check_decoders(check, title, take, folder):
    check.title(f"decoders of few bits, {title}")
    plain = check.results(take)
    for option, command in DECODERS:
        coded = check.results(run(command, take, folder, option))
        check.true(f"{option}{' turned down' if command != OTHER else ''}: noticed", is_lossy(coded))
        rows = [row for name in ("thd_n", "thd_f", "noise", "snr") for row in find(coded, name, "left")]
        check.true("  distortion and noise are refused", all(row["value"] is None for row in rows))
        if command != OTHER:
            continue
        for channel in ("left", "right"):
            was, now = find(plain, "level", channel, "both")[0], find(coded, "level", channel, "both")[0]
            off = now["value"] - was["value"] if now["validity"] == "valid" else float("inf")
            check.true(f"  level, {channel}: off by {off:+.4f} dB, allowed {DECODER_DB}, "
                       f"stated {now['uncertainty']:.4f}", abs(off) <= min(DECODER_DB, now["uncertainty"]))


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
        check_decoders(check, "sound", take, folder)
        other = "swapped, one inverted"
        check_decoders(check, other, make_take(check.tool, UNITS[other], folder), folder)
    return check.finish()


if __name__ == "__main__":
    sys.exit(main())
