"""peer.py pyvrp|ortools INSTANCE.json SECONDS SEED > orders.json: the general solvers' answers as orders per shift, which our validator
then times, checks and costs (rounds-bench check). Both minimise driving plus what is left out, nothing else."""
import json
import sys
import time

from instance import table


def pyvrp_orders(instance, times, seconds, seed):
    import numpy as np
    from pyvrp import Client, Depot, Location, ProblemData, VehicleType, solve
    from pyvrp.stop import MaxRuntime

    began = time.time()
    shifts, visits = instance["shifts"], instance["visits"]
    places = sorted({s["from"] for s in shifts})
    loads = any("capacity" in s for s in shifts)
    groups = {}
    for k, s in enumerate(shifts):
        groups.setdefault(json.dumps(s, sort_keys=True), []).append(k)
    kinds = [
        VehicleType(
            num_available=len(ks), capacity=[shifts[ks[0]]["capacity"]] if loads else [],
            start_depot=places.index(shifts[ks[0]]["from"]), end_depot=places.index(shifts[ks[0]]["to"]),
            tw_early=shifts[ks[0]]["opens"], tw_late=shifts[ks[0]]["closes"])
        for ks in groups.values()
    ]
    clients = [
        Client(location=v["at"], delivery=[v["load"]] if loads else [], service_duration=v["service"],
               tw_early=v["windows"][0][0], tw_late=v["windows"][0][1], prize=v["worth"], required=v["worth"] >= 1_000_000)
        for v in visits
    ]
    matrix = np.array(times, dtype=np.int64)
    data = ProblemData([Location(x, y) for x, y in instance["xy"]], clients, [Depot(location=p) for p in places], kinds,
                       [matrix], [matrix])
    best = solve(data, MaxRuntime(max(0.1, seconds - (time.time() - began))), seed=seed, collect_stats=False).best
    left = [list(ks) for ks in groups.values()]
    orders = []
    for route in best.routes():
        order = [a.idx for a in route.schedule() if a.is_client()]
        orders.append([left[route.vehicle_type()].pop(), order])
    return orders


def ortools_orders(instance, times, seconds, _seed):
    from ortools.constraint_solver import pywrapcp, routing_enums_pb2

    began = time.time()
    shifts, visits = instance["shifts"], instance["visits"]
    # Nodes: the visits, then where shifts begin and end.
    places = sorted({p for s in shifts for p in (s["from"], s["to"])})
    at = [v["at"] for v in visits] + places
    node = {p: len(visits) + k for k, p in enumerate(places)}
    manager = pywrapcp.RoutingIndexManager(len(at), len(shifts), [node[s["from"]] for s in shifts], [node[s["to"]] for s in shifts])
    model = pywrapcp.RoutingModel(manager)
    work = [v["service"] for v in visits] + [0] * len(places)
    drive = [[times[a][b] for b in at] for a in at]
    span = [[drive[a][b] + work[a] for b in range(len(at))] for a in range(len(at))]
    arc = model.RegisterTransitMatrix(drive)
    model.SetArcCostEvaluatorOfAllVehicles(arc)
    horizon = max(s["closes"] for s in shifts)
    model.AddDimension(model.RegisterTransitMatrix(span), horizon, horizon, False, "time")
    clock = model.GetDimensionOrDie("time")
    if any("capacity" in s for s in shifts):
        load = model.RegisterUnaryTransitVector([v["load"] for v in visits] + [0] * len(places))
        model.AddDimensionWithVehicleCapacity(load, 0, [s["capacity"] for s in shifts], True, "load")
    for k, s in enumerate(shifts):
        clock.CumulVar(model.Start(k)).SetRange(s["opens"], s["closes"])
        clock.CumulVar(model.End(k)).SetRange(s["opens"], s["closes"])
    for k, v in enumerate(visits):
        index = manager.NodeToIndex(k)
        a, b = v["windows"][0]
        clock.CumulVar(index).SetRange(a, min(b, horizon))
        model.AddDisjunction([index], v["worth"])
    parameters = pywrapcp.DefaultRoutingSearchParameters()
    parameters.first_solution_strategy = routing_enums_pb2.FirstSolutionStrategy.PARALLEL_CHEAPEST_INSERTION
    parameters.local_search_metaheuristic = routing_enums_pb2.LocalSearchMetaheuristic.GUIDED_LOCAL_SEARCH
    parameters.time_limit.FromMilliseconds(int(max(0.1, seconds - (time.time() - began)) * 1000))
    found = model.SolveWithParameters(parameters)
    if found is None:
        return None
    orders = []
    for k in range(len(shifts)):
        order, index = [], found.Value(model.NextVar(model.Start(k)))
        while not model.IsEnd(index):
            order.append(manager.IndexToNode(index))
            index = found.Value(model.NextVar(index))
        if order:
            orders.append([k, order])
    return orders


if __name__ == "__main__":
    which, path, seconds, seed = sys.argv[1], sys.argv[2], float(sys.argv[3]), int(sys.argv[4])
    instance = json.load(open(path))
    solver = {"pyvrp": pyvrp_orders, "ortools": ortools_orders}[which]
    json.dump(solver(instance, table(instance), seconds, seed), sys.stdout)
