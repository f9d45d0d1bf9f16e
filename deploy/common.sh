# shellcheck shell=bash
# What both commands share: find a Python, make the environment from the lock, say what is being done.
# Sourced, never run. Safe to repeat: a finished step leaves a stamp and is skipped the next time.

set -euo pipefail

here=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
environment="${LUMBERROOM_VENV:-$here/.venv}"

say() { printf '%s\n' "lumberroom set-up: $*" >&2; }
fail() { say "$*"; exit 1; }

# The newest Python of 3.11 or later, or a sentence.
find_python() {
  local name
  for name in "${PYTHON:-}" python3.14 python3.13 python3.12 python3.11 python3; do
    [ -n "$name" ] && command -v "$name" >/dev/null 2>&1 || continue
    if "$name" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      command -v "$name"
      return
    fi
  done
  fail "Python 3.11 or later is needed and was not found. Install it (on Debian 12 or later:" \
    "sudo apt-get install python3 python3-venv), or name it: PYTHON=/path/to/python3 bash deploy/start.sh"
}

# lock_environment LOCKFILE: an environment of our own that holds exactly what the lock says, and lumberroom itself.
lock_environment() {
  local lock="$here/deploy/$1" python stamp
  stamp="$environment/.made-from-$1-$(cat "$lock" "$here/pyproject.toml" | cksum | tr -d ' ')"
  if [ -e "$stamp" ] && "$environment/bin/python" -c 'import sys' 2>/dev/null; then
    return
  fi
  python=$(find_python)
  say "using $("$python" --version 2>&1) for an environment of its own in $environment"
  if ! "$environment/bin/python" -c 'import pip' 2>/dev/null; then
    # --clear mends an environment whose making was cut short.
    "$python" -m venv --clear "$environment" >/dev/null || fail "Python could not make an environment" \
      "in $environment. On Debian the missing part is: sudo apt-get install python3-venv"
  fi
  say "installing the locked dependencies ($1); the first time this takes a minute"
  pip_install --require-hashes --requirement "$lock" ||
    fail "the dependencies could not be installed (see above). Is the network up? Then run this command again."
  pip_install --no-deps --no-build-isolation --editable "$here" ||
    fail "lumberroom itself could not be installed (see above)."
  rm -f "$environment/.made-from-$1-"*
  touch "$stamp"
}

pip_install() {
  "$environment/bin/python" -m pip install --quiet --disable-pip-version-check --no-input "$@"
}

# need_packages THING:PACKAGE ...: Debian packages for commands, or files by their whole path, that are missing.
need_packages() {
  local pair missing=() root=()
  for pair in "$@"; do
    case "$pair" in
      /*) [ -e "${pair%%:*}" ] || missing+=("${pair#*:}") ;;
      *) command -v "${pair%%:*}" >/dev/null 2>&1 || missing+=("${pair#*:}") ;;
    esac
  done
  [ "${#missing[@]}" -eq 0 ] && return
  command -v apt-get >/dev/null 2>&1 || fail "the tests need these programs, which are not here: ${missing[*]}." \
    "This script installs them on Debian and its relatives only; elsewhere install them by hand and run it again."
  if [ "$(id -u)" -ne 0 ]; then
    command -v sudo >/dev/null 2>&1 || fail "the tests need the system packages ${missing[*]}, and installing them" \
      "needs root. Run once as root: apt-get install ${missing[*]}"
    root=(sudo)
  fi
  say "installing system packages for the tests: ${missing[*]}"
  DEBIAN_FRONTEND=noninteractive "${root[@]}" apt-get update -qq >/dev/null ||
    fail "the list of system packages could not be fetched. Is the network up?"
  DEBIAN_FRONTEND=noninteractive "${root[@]}" apt-get install -y -qq --no-install-recommends "${missing[@]}" >/dev/null ||
    fail "the system packages ${missing[*]} could not be installed (see above)."
}
