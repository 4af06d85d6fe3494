"""500 random networks of tasks and their longest paths by networkx: one JSON object a line. Argument: the seed."""

import json
import random
import sys

import networkx

random.seed(int(sys.argv[1]))
for _ in range(500):
    n = random.randint(1, 40)
    share = random.random() * 0.5
    minutes = [random.choice([0.0, random.uniform(0.1, 60.0), float(random.randint(1, 9))]) for _ in range(n)]
    # Numbered at random, so that a task may wait for one with a higher number.
    places = list(range(n))
    random.shuffle(places)
    edges = [(places[a], places[b]) for b in range(n) for a in range(b) if random.random() < share]
    graph = networkx.DiGraph()
    # A task is the edge between its start and its end, so that the weight of a path is its length.
    for task in range(n):
        graph.add_edge(("start", task), ("end", task), weight=minutes[task])
    for a, b in edges:
        graph.add_edge(("end", a), ("start", b), weight=0.0)
    longest = networkx.dag_longest_path_length(graph, weight="weight")

    def to(node, graph=graph):
        ends = networkx.ancestors(graph, node) | {node}
        return networkx.dag_longest_path_length(graph.subgraph(ends), weight="weight")

    start = [to(("start", task)) for task in range(n)]
    back = graph.reverse()
    # What comes after a task's end, at the longest.
    tail = [to(("end", task), back) for task in range(n)]
    print(
        json.dumps(
            {
                "minutes": minutes,
                "edges": edges,
                "longest": longest,
                "early_start": start,
                "late_finish": [longest - rest for rest in tail],
            }
        )
    )
