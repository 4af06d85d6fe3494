"""Frames and what cantools reads in them, one JSON object a line: can_frames.py FOLDER_OR_DBC FRAMES_A_MESSAGE SEED.

Half of the frames are encoded by cantools from random values within each signal's limits, half are random payloads.
"""

import json
import math
import pathlib
import random
import sys

import cantools


def honest(message, rng):
    """Random values within the limits, for every signal that may be there."""
    values = {}
    for signal in message.signals:
        scale = signal.conversion.scale or 1
        offset = signal.conversion.offset
        if signal.is_float:
            values[signal.name] = rng.uniform(-1000, 1000)
            continue
        if signal.is_signed:
            low, high = -(1 << (signal.length - 1)), (1 << (signal.length - 1)) - 1
        else:
            low, high = 0, (1 << signal.length) - 1
        values[signal.name] = rng.randint(low, high) * scale + offset
    return values


def frames(message, count, rng):
    for number in range(count):
        if number % 2 == 0:
            try:
                values = honest(message, rng)
                if message.is_multiplexed():
                    # One of the switch's values that mean something.
                    for signal in message.signals:
                        if signal.is_multiplexer and not signal.multiplexer_ids:
                            known = [i for s in message.signals if s.multiplexer_signal == signal.name for i in s.multiplexer_ids]
                            values[signal.name] = rng.choice(known)
                yield message.encode(values, strict=False)
                continue
            except Exception:
                pass
        yield rng.randbytes(message.length)


def main():
    where, count, seed = pathlib.Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    files = [where] if where.is_file() else sorted(p for p in where.iterdir() if p.suffix.lower() == ".dbc")
    for file in files:
        rng = random.Random(f"{seed} {file.name}")
        try:
            database = cantools.database.load_file(file, strict=False)
        except Exception as error:
            print(json.dumps({"file": file.name, "refused": str(error)[:200]}))
            continue
        for message in database.messages:
            if message.is_container:
                continue
            for data in frames(message, count, rng):
                try:
                    values = message.decode(data, decode_choices=False)
                except Exception:
                    # A switch that stands on nothing, mostly.
                    continue
                numbers = {}
                for name, value in values.items():
                    numbers[name] = value if math.isfinite(value) else None
                print(json.dumps({"file": file.name, "id": message.frame_id, "extended": message.is_extended_frame, "data": bytes(data).hex(), "values": numbers}))


main()
