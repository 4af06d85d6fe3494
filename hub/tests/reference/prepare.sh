#!/bin/sh
# Brings what tests hold ours against from outside into target/reference: decoders of CAN and NMEA, and a library of graphs. Needs
# python3 with venv and pip. Where it has not run, those tests compare with the answers kept in tests/data, and say so in one line.
set -eu
cd "$(dirname "$0")/../../.."
into=target/reference
if [ ! -f "$into/ready-1" ]; then
    echo "reference decoders: cantools 45.1.0 and pynmea2 1.19.0 into $into"
    mkdir -p "$into"
    python3 -m venv "$into/venv"
    "$into/venv/bin/python" -m pip install --quiet --disable-pip-version-check cantools==45.1.0 pynmea2==1.19.0
    # Its source package carries the DBC files of its own tests.
    "$into/venv/bin/python" -m pip download --quiet --disable-pip-version-check --no-deps --no-binary :all: --dest "$into" cantools==45.1.0
    tar -xzf "$into"/cantools-45.1.0.tar.gz -C "$into"
    touch "$into/ready-1"
fi
if [ ! -f "$into/ready-graphs-1" ]; then
    echo "reference graphs: networkx 3.4.2 into $into"
    "$into/venv/bin/python" -m pip install --quiet --disable-pip-version-check networkx==3.4.2
    touch "$into/ready-graphs-1"
fi
