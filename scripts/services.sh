#!/bin/sh
# Programs that tests talk to, from Debian: an independent Modbus peer, joined serial ports, PDF to pictures.
# Installs what is missing when it may; otherwise the tests that need one say so and skip.
set -u
missing=""
for pair in mbpoll:mbpoll socat:socat pdftoppm:poppler-utils; do
    command -v "${pair%%:*}" >/dev/null 2>&1 || missing="$missing ${pair##*:}"
done
[ -z "$missing" ] && exit 0
if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" = 0 ]; then
    # shellcheck disable=SC2086
    DEBIAN_FRONTEND=noninteractive sh -c "apt-get update -qq && apt-get install -y -qq --no-install-recommends $missing" >/dev/null 2>&1 && exit 0
fi
echo "not installed, tests that need them will be skipped:$missing" >&2
exit 0
