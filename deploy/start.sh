#!/usr/bin/env bash
# The first command: sets everything up in an environment of its own, then runs lumberroom.
#
#   bash deploy/start.sh                        the demonstration: an invented site, in your browser
#   bash deploy/start.sh run lumberroom.toml    the watch on your own site
#   bash deploy/start.sh COMMAND …              any other lumberroom command (--help lists them)
#
# Safe to run twice; needs Python 3.11 or later and, the first time, the network.
. "$(dirname "${BASH_SOURCE[0]}")/common.sh"

lock_environment requirements.lock
[ "$#" -gt 0 ] || set -- demo
exec "$environment/bin/lumberroom" "$@"
