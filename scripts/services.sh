#!/bin/sh
# What tests talk to: from Debian an independent Modbus peer, joined serial ports, PDF to pictures, a browser, node and
# network namespaces (many phones at the end of a bad link), a message broker and a database server (tests start ones of their own, on free ports); and from npm, where there is one, the rules by which pages are
# looked through for what keeps people out (axe-core, MPL-2.0).
# Installs what is missing when it may; otherwise the tests that need one say so and skip.
set -u
missing=""
for pair in mbpoll:mbpoll socat:socat pdftoppm:poppler-utils chromium:chromium mosquitto_pub:mosquitto-clients node:nodejs ip:iproute2; do
    command -v "${pair%%:*}" >/dev/null 2>&1 || missing="$missing ${pair##*:}"
done
# Debian keeps these off the path of most users
command -v mosquitto >/dev/null 2>&1 || [ -x /usr/sbin/mosquitto ] || missing="$missing mosquitto"
command -v pg_ctl >/dev/null 2>&1 || ls /usr/lib/postgresql/*/bin/pg_ctl >/dev/null 2>&1 || missing="$missing postgresql"
if [ -n "$missing" ]; then
    if command -v apt-get >/dev/null 2>&1 && [ "$(id -u)" = 0 ]; then
        # shellcheck disable=SC2086
        DEBIAN_FRONTEND=noninteractive sh -c "apt-get update -qq && apt-get install -y -qq --no-install-recommends $missing" >/dev/null 2>&1 && missing=""
    fi
    [ -z "$missing" ] || echo "not installed, tests that need them will be skipped:$missing" >&2
fi
axe=axe-core@4.14.1
if [ ! -f .services/axe.min.js ] && command -v npm >/dev/null 2>&1; then
    mkdir -p .services
    # the archive alone, nothing of it is run here
    (cd .services && npm pack --silent "$axe" >/dev/null 2>&1 && tar -xzf axe-core-*.tgz package/axe.min.js &&
        mv package/axe.min.js axe.min.js) || echo "$axe could not be fetched: pages are looked through by our own, fewer, rules" >&2
    rm -rf .services/package .services/axe-core-*.tgz
fi
exit 0
