#!/usr/bin/env bash
# Locks the dependencies anew, with hashes, for every Python from 3.11 on. For developers, after editing pyproject.toml:
#
#   bash deploy/lock.sh              keep what is locked, add what is new
#   bash deploy/lock.sh --upgrade    take the newest of everything
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

tool="$here/.venv-lock"
[ -x "$tool/bin/uv" ] || { "$(find_python)" -m venv "$tool" && "$tool/bin/python" -m pip install --quiet uv; }
cd "$here"
compile() {
  "$tool/bin/uv" pip compile --quiet --universal --python-version 3.11 --generate-hashes --no-annotate \
    --no-emit-index-url --no-emit-find-links --custom-compile-command "bash deploy/lock.sh" "$@" pyproject.toml
}
compile --group setup --output-file deploy/requirements.lock "$@"
compile --group setup --group test --output-file deploy/requirements-test.lock --constraint deploy/requirements.lock "$@"
