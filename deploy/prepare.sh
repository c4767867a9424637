#!/bin/sh
# Make the secrets of an installation in containers, once; what is there already stays.
# Run it as root beside docker-compose.yml:  sudo sh deploy/prepare.sh
set -eu
umask 077

owner=1883 # whom the containers run as, see Dockerfile
folder=$(dirname "$0")/secrets

if [ "$(id -u)" != 0 ]; then
    echo "Run it as root: the secrets must belong to user $owner, whom the containers run as." >&2
    exit 2
fi
mkdir -p "$folder"
chmod 711 "$folder"
for name in database-password broker-password metrics-token seal-key record-key; do
    if [ ! -s "$folder/$name" ]; then
        case $name in
        record-key) head -c 32 /dev/urandom | base64 | tr -d '\n' >"$folder/$name" ;;
        *) od -An -N24 -tx1 /dev/urandom | tr -d ' \n' >"$folder/$name" ;;
        esac
        echo "made $folder/$name"
    fi
    chown "$owner:$owner" "$folder/$name"
    chmod 400 "$folder/$name"
done
