#!/bin/sh
# A public header compiles alone and twice, without a warning: check_header.sh COMPILER STANDARD INCLUDE HEADER
set -eu
case "$2" in
c++*) language=c++ ;;
*) language=c ;;
esac
printf '#include <mendtone/%s>\n#include <mendtone/%s>\n' "$4" "$4" |
  "$1" "-std=$2" -pedantic-errors -Wall -Wextra -Werror -fsyntax-only -I "$3" -x "$language" -
