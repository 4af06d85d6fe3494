"""Weather sentences and what pynmea2 reads in them, one JSON object a line: nmea_sentences.py SEED, or nmea_sentences.py FILE for a capture."""

import json
import pathlib
import random
import sys

import pynmea2

MDA = {
    "MDA.air_temp": "air_temp",
    "MDA.water_temp": "water_temp",
    "MDA.humidity": "rel_humidity",
    "MDA.dew_point": "dew_point",
    "MDA.wind_direction": "direction_true",
    "MDA.wind_speed": "wind_speed_meters",
}


def number(value):
    return None if value in ("", None) else float(value)


def read(line):
    """What pynmea2 reads, or nothing for other kinds of sentence and for those that it cannot read."""
    try:
        return answer(line)
    except (ValueError, IndexError):
        return None


def answer(line):
    try:
        message = pynmea2.parse(line, check=True)
    except pynmea2.ChecksumError:
        return {"line": line, "broken": True}
    except pynmea2.ParseError:
        return None
    kind = message.sentence_type
    if kind == "MDA":
        values = {name: number(getattr(message, field)) for name, field in MDA.items()}
        values["MDA.pressure"] = number(message.b_pressure_bar)
    elif kind == "MWV":
        side = {"R": "relative", "T": "true"}[message.reference]
        valid = message.status == "A"
        values = {f"MWV.{side}_angle": number(message.wind_angle) if valid else None, f"MWV.{side}_speed": number(message.wind_speed) if valid else None}
    elif kind == "XDR":
        values = {f"XDR.{message.get_transducer(i).id}": number(message.get_transducer(i).value) for i in range(message.num_transducers)}
    else:
        return None
    return {"line": line, "values": values}


def made(rng):
    def maybe(low, high, digits=1):
        return "" if rng.random() < 0.15 else f"{rng.uniform(low, high):.{digits}f}"

    for _ in range(20):
        yield pynmea2.MDA("WI", "MDA", (maybe(27, 31, 2), "I", f"{rng.uniform(0.8, 1.1):.4f}", "B", maybe(-20, 50), "C", maybe(-2, 30), "C", maybe(0, 100), "", maybe(-20, 30), "C", maybe(0, 360), "T", maybe(0, 360), "M", maybe(0, 50), "N", f"{rng.uniform(0, 25):.1f}", "M"))
        yield pynmea2.MWV("WI", "MWV", (maybe(0, 360), rng.choice("RT"), maybe(0, 80), "M", rng.choice("AAAV")))
        yield pynmea2.XDR("WI", "XDR", ("C", maybe(-20, 50), "C", "TempAir", "P", f"{rng.uniform(0.8, 1.1):.5f}", "B", "Barometer", "H", maybe(0, 100), "P", "Hum"))


def main():
    where = pathlib.Path(sys.argv[1])
    if where.is_file():
        lines = [line for line in where.read_text(errors="replace").splitlines() if line.strip()]
    else:
        lines = [str(message) for message in made(random.Random(int(sys.argv[1])))]
    for line in lines:
        found = read(line)
        if found:
            print(json.dumps(found))


main()
