#!/usr/bin/env bash
# The second command: sets up whatever the tests need, system packages included, and passes them.
#
#   bash deploy/test.sh                 lint, types, all tests but the slow ones
#   bash deploy/test.sh --soak          the slow endurance tests
#   bash deploy/test.sh tests/unit …    lint and types, then only these (arguments go to pytest)
#
# Safe to run twice; needs Python 3.11 or later and, the first time, the network.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

need_packages git:git chromium:chromium dbus-daemon:dbus mosquitto:mosquitto cc:gcc /usr/include/stdint.h:libc6-dev
lock_environment requirements-test.lock
cd "$here"

chosen=(--numprocesses=2 -m "not soak and not benchmark")
if [ "${1:-}" = "--soak" ]; then
  chosen=(-m soak --timeout=0)
  shift
fi

say "lint"
"$environment/bin/ruff" check --quiet .
"$environment/bin/ruff" format --check --quiet . || fail "some files are not formatted: run .venv/bin/ruff format ."
say "types"
"$environment/bin/mypy" --no-error-summary
say "tests"
"$environment/bin/pytest" "${chosen[@]}" "$@"
