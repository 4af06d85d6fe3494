#!/bin/sh
# Brings the outside decoders that the tests of CAN and NMEA hold ours against, into target/reference. Needs python3 with
# venv and pip. Where it has not run, those tests compare with the answers kept in tests/data, and say so in one line.
set -eu
cd "$(dirname "$0")/../../.."
into=target/reference
[ -f "$into/ready-1" ] && exit 0
echo "reference decoders: cantools 45.1.0 and pynmea2 1.19.0 into $into"
mkdir -p "$into"
python3 -m venv "$into/venv"
"$into/venv/bin/pip" install --quiet --disable-pip-version-check cantools==45.1.0 pynmea2==1.19.0
# Its source package carries the DBC files of its own tests.
"$into/venv/bin/pip" download --quiet --disable-pip-version-check --no-deps --no-binary :all: --dest "$into" cantools==45.1.0
tar -xzf "$into"/cantools-45.1.0.tar.gz -C "$into"
touch "$into/ready-1"
