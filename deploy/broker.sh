#!/bin/sh
# Mosquitto, told to read its files anew (SIGHUP) whenever `reload` beside them changes:
#   broker.sh CONFIGURATION RELOAD
# It checks connected clients again then, and lets go of those that may no longer be.
set -u

configuration=$1
reload=$2

watch() {
    seen=$2
    while sleep 1; do
        now=$(cat "$reload" 2>/dev/null) || continue
        if [ "$now" != "$seen" ]; then
            seen=$now
            kill -HUP "$1" || exit
        fi
    done
}

before=$(cat "$reload")
# Until Mosquitto listens to SIGHUP it would die of it.
(trap '' HUP && exec mosquitto -c "$configuration") &
broker=$!
watch "$broker" "$before" &
watcher=$!
trap 'kill -TERM "$broker"' TERM INT

# A signal ends `wait`, but not what is waited for.
while :; do
    wait "$broker"
    status=$?
    kill -0 "$broker" 2>/dev/null || break
done
kill "$watcher" 2>/dev/null
exit "$status"
