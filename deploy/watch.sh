#!/bin/sh
# Tells staff when Turnstone is silent or unwell. Runs on another machine than
# Turnstone, from a timer, since a machine that is down cannot say so.
#
# HEALTH is a command that prints what /health answers and fails when it is
# silent, such as:
#   ssh watcher@clinic-machine curl --fail --silent --max-time 10 http://127.0.0.1:9464/health
# TELL is a command that takes one line to staff on its standard input, such as:
#   mail -s "Turnstone" staff@lantern-bay.example
# STATE is a file that keeps whether staff have been told, so that they are
# told once when it falls silent and once when it is back.
set -eu
: "${HEALTH:?set HEALTH to the command that asks /health}"
: "${TELL:?set TELL to the command that tells staff}"
: "${STATE:?set STATE to a file that this script may write}"

ask() { sh -c "$HEALTH" >/dev/null 2>&1; }
tell() { printf '%s\n' "$1" | sh -c "$TELL"; }

if ask || { sleep "${AGAIN_AFTER:-20}"; ask; }; then
  if [ -e "$STATE" ]; then
    tell "Turnstone answers again since $(date '+%H:%M'). It was silent since $(cat "$STATE")."
    rm -f "$STATE"
  fi
elif [ ! -e "$STATE" ]; then
  tell "Turnstone is silent since $(date '+%H:%M'). Nobody is asked again and no emergency reaches you through it. Look at the machine, and use the telephone."
  date '+%H:%M' > "$STATE"
fi
