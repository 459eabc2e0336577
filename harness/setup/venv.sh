#!/bin/sh
# Makes .venv with the project and its development extra in it; says what it does. What is missing on the machine is
# installed with apt where that is possible without asking (root, or sudo without a password), else named.
# Run from the project's folder, by the Makefile, when pyproject.toml is newer than .venv/.installed.
set -eu

say() { printf 'setup: %s\n' "$*" >&2; }
give_up() { say "$*"; exit 3; }

install() { # install PACKAGE...: with apt, or say so and stop
  command -v apt-get > /dev/null || give_up "install by this system's own means: $*"
  if [ "$(id -u)" = 0 ]; then as_root=; elif sudo -n true 2> /dev/null; then as_root="sudo -n"; else
    give_up "install as root: apt-get install $*"
  fi
  say "installing $* with apt"
  $as_root apt-get -qq update || true # a source that fails may have nothing to do with us
  $as_root env DEBIAN_FRONTEND=noninteractive apt-get -qq -y --no-install-recommends \
    -o DPkg::Lock::Timeout=120 install "$@" > /dev/null || give_up "apt-get could not install $*"
}

find_python() { # the first interpreter that is new enough
  for name in python3 python3.14 python3.13 python3.12 python3.11; do
    if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2> /dev/null; then
      command -v "$name"
      return 0
    fi
  done
  return 1
}

if [ "${1:-}" = --need ]; then # --need PROGRAM PACKAGE: have a program of the distribution
  command -v "$2" > /dev/null || install "$3"
  exit 0
fi

if ! .venv/bin/python -c 'import pip' 2> /dev/null; then
  python=$(find_python) || { install python3 && python=$(find_python); } ||
    give_up "expected Python 3.11 or newer, saw $(python3 --version 2>&1 || true); install one and have it on PATH"
  if ! "$python" -c 'import ensurepip, venv' 2> /dev/null; then # Debian keeps these in a package of their own
    install "$("$python" -c 'import sys; print(f"python{sys.version_info[0]}.{sys.version_info[1]}-venv")')"
  fi
  say "making .venv with $python"
  "$python" -m venv --clear .venv
fi

say "installing the project and its development tools into .venv"
.venv/bin/python -m pip install --quiet --disable-pip-version-check --editable '.[dev]' ||
  give_up "pip could not install the project: see above; it needs the package index, or a mirror named in pip's own settings"
touch .venv/.installed
