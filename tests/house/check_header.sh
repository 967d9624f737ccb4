#!/bin/sh
# A public header compiles alone and twice, without a warning: check_header.sh COMPILER STANDARD INCLUDE HEADER
# COMPILER may be several words (a launcher before it), or "any": the first C++ compiler there is.
set -eu
compiler=$1
if [ "$compiler" = any ]; then
  compiler=$(command -v g++ || command -v clang++ || command -v clang++-14) || {
    echo "no C++ compiler is installed"
    exit 77
  }
fi
case "$2" in
c++*) language=c++ ;;
*) language=c ;;
esac
# shellcheck disable=SC2086 # words
printf '#include <mendtone/%s>\n#include <mendtone/%s>\n' "$4" "$4" |
  $compiler "-std=$2" -pedantic-errors -Wall -Wextra -Werror -fsyntax-only -I "$3" -x "$language" -
