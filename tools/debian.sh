#!/bin/sh
# Install the Debian packages that the tests read files or libraries from; only what is missing.
# Usage: tools/debian.sh PACKAGE...
# Without root, or on another system, it says what is missing and the tests that need it are skipped
# by name; under CI a missing package is a failure.
set -eu

fail() {
    printf '%s\n' "$*" >&2
    [ "${CI:-}" = true ] && exit 3
    exit 0
}

if ! command -v dpkg-query >/dev/null 2>&1; then
    fail "Not a Debian system: tests that need these packages are skipped by name: $*"
fi
missing=
for package in "$@"; do
    state=$(dpkg-query -W -f '${db:Status-Status}' "$package" 2>/dev/null || true)
    [ "$state" = installed ] || missing="$missing $package"
done
[ -z "$missing" ] && exit 0
if [ "$(id -u)" != 0 ]; then
    fail "Tests that need these Debian packages are skipped by name; to run them too: sudo apt-get install --no-install-recommends$missing"
fi
printf '%s\n' "Installing Debian packages:$missing"
export DEBIAN_FRONTEND=noninteractive DEBCONF_NOWARNINGS=yes
apt-get update -qq || printf '%s\n' "The package lists could not be renewed; trying with the old ones" >&2
# shellcheck disable=SC2086  # a list of words is meant
apt-get install -y -qq --no-install-recommends -o DPkg::Lock::Timeout=300 $missing >/dev/null ||
    fail "These Debian packages could not be installed:$missing"
