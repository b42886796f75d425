"""Instances for bench/rounds, all in one plain shape (JSON):

  {"name", "xy": [[x, y], ..], "scale", "shifts": [{"from", "to", "opens", "closes", "capacity"?}],
   "visits": [{"at", "service", "windows": [[from, to], ..], "load", "worth"}]}

Travel from a to b takes floor(scale * euclidean distance) (the DIMACS convention with scale 10 for the published instances).

  instance.py solomon FILE.txt        Solomon's text format (also Gehring & Homberger), fleet as in the file
  instance.py county [VISITS CREWS DAYS SEED]   an invented county
"""
import json
import math
import random
import sys

LEAVING_OUT = 1_000_000  # published instances must serve everybody: leaving one out costs more than any tour


def solomon(path):
    lines = [line.split() for line in open(path) if line.strip()]
    at = next(i for i, line in enumerate(lines) if line[0] == "NUMBER")
    fleet, capacity = (int(float(x)) for x in lines[at + 1][:2])
    rows = [[float(x) for x in line] for line in lines[at + 2:] if len(line) == 7 and line[0].isdigit()]
    depot, *customers = rows
    scale = 10
    shift = {"from": 0, "to": 0, "opens": int(depot[4] * scale), "closes": int(depot[5] * scale), "capacity": capacity}
    visits = [
        {"at": int(c[0]), "service": int(c[6] * scale), "windows": [[int(c[4] * scale), int(c[5] * scale)]],
         "load": int(c[3]), "worth": LEAVING_OUT}
        for c in customers
    ]
    xy = [[r[1], r[2]] for r in rows]
    return {"name": lines[0][0], "xy": xy, "scale": scale, "shifts": [shift] * fleet, "visits": visits}


def county(visits=3000, crews=8, days=10, seed=5):
    """80 x 60 km, metres. Towns draw two thirds of the traps. Each crew has its own depot. 45 km/h and a detour of 1.3, work of 4 to 12
    minutes, a due span of 2 to 10 days: all invented (design choice), no real county."""
    chance = random.Random(seed)
    wide, high = 80_000, 60_000
    depots = [[chance.uniform(0.1, 0.9) * wide, chance.uniform(0.1, 0.9) * high] for _ in range(crews)]
    towns = [(chance.uniform(0, wide), chance.uniform(0, high), chance.uniform(1500, 6000)) for _ in range(14)]
    xy = [[round(x), round(y)] for x, y in depots]
    todo = []
    for k in range(visits):
        if chance.random() < 2 / 3:
            x, y, spread = chance.choice(towns)
            x, y = chance.gauss(x, spread), chance.gauss(y, spread)
        else:
            x, y = chance.uniform(0, wide), chance.uniform(0, high)
        xy.append([round(min(max(x, 0), wide)), round(min(max(y, 0), high))])
        long = chance.randint(2, days)
        first = chance.randint(0, days - long)
        window = [first * 86_400, (first + long) * 86_400 - 1]
        todo.append({"at": crews + k, "service": chance.randint(240, 720), "windows": [window], "load": 0, "worth": 20_000})
    shifts = [
        {"from": c, "to": c, "opens": d * 86_400 + 8 * 3600, "closes": d * 86_400 + 17 * 3600}
        for d in range(days) for c in range(crews)
    ]
    scale = 1.3 / (45 / 3.6)
    return {"name": f"county-{visits}", "xy": xy, "scale": scale, "shifts": shifts, "visits": todo}


def table(instance):
    """Travel times as every solver here reckons them."""
    xy, scale = instance["xy"], instance["scale"]
    return [[math.floor(math.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2) * scale) for b in xy] for a in xy]


if __name__ == "__main__":
    if sys.argv[1] == "solomon":
        json.dump(solomon(sys.argv[2]), sys.stdout)
    else:
        json.dump(county(*(int(x) for x in sys.argv[2:])), sys.stdout)
