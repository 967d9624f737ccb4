#!/bin/sh
# What `meson install` lays down serves a stranger's program through pkg-config: every public header is
# there, the program compiles, links and runs.  check_install.sh BUILD_FOLDER COMPILER INCLUDE_FOLDER
set -eu
build=$1
compiler=$2
include=$3
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

meson install -C "$build" --no-rebuild --quiet --destdir "$scratch/root" >&2
pc=$(find "$scratch/root" -name mendtone.pc)
sed -i "s|^prefix=|prefix=$scratch/root|" "$pc"
export PKG_CONFIG_PATH="${pc%/*}"

cat >"$scratch/user.c" <<'END'
#include <stdio.h>
#include <string.h>
END
for header in "$include"/mendtone/*.h; do
  echo "#include <mendtone/${header##*/}>" >>"$scratch/user.c"
done
cat >>"$scratch/user.c" <<'END'
int main(void)
{
  mt_quantity level;
  if (!mt_quantity_parse("level", &level))
    return 1;
  const char *unit = mt_unit_name(mt_quantity_describe(level)->unit);
  printf("level in %s\n", unit);
  return strcmp(unit, "dBFS") != 0;
}
END
cd "$scratch"
# eval: pkg-config quotes its words for a shell.
eval "$compiler -std=c11 -Wall -Wextra -Werror user.c -o user $(pkg-config --cflags --libs mendtone)"
LD_LIBRARY_PATH=$(dirname "$(find "$scratch/root" -name 'libmendtone.so' | head -n 1)") ./user
