# ruff: noqa
"""Count and time of the last edge as a true pair: through stalls, tick wraps, standstill, and a handler that died.

Arguments: what counts (pio, counter, pin), time between edges (us).
"""

import random
import sys

import vane as vanes
from time import ticks_us
from vane import open_vane
from world import world

KIND, EDGE_US = sys.argv[1], int(sys.argv[2])
FIRST_US = 100_000  # small_world's first edge
SLACK_US = 10 if KIND == "pio" else 1  # a state machine looks every 4 us
random.seed(11)
vane = open_vane()
assert vane.kind.decode() == KIND and vane.may_lose == (KIND == "pin")
assert vane.age_us(ticks_us()) == 0xFFFFFF  # no edge yet


def edge_time_us():
    """Of the last edge, in the world's time, as the pair says."""
    vane.read()
    return world.now_us - vane.age_us(ticks_us())


# Between reads of every length, with a stall of 50 to 800 ms now and then: the pair is always a true one.
lost = 0
n_stalls = 0
while world.now_us < 60_000_000:
    world.advance(world.now_us + random.randrange(500, 40_000))
    if random.randrange(40) == 0 and world.now_us > 200_000:
        vane.hold()
        before = vane.edges
        world.stall(random.randrange(50_000, 800_000))
        vane.release()
        n_stalls += 1
        assert vane.edges == before  # the pair from before stands until an edge comes in its own time
        if KIND == "pin":
            seen = vane.edges
            world.advance(world.now_us + 3 * EDGE_US)
            vane.read()
            now_lost = world._n_edges - vane.edges
            assert now_lost >= lost
            lost = now_lost
    at_us = edge_time_us()
    if not vane.edges:
        continue
    true_us = FIRST_US + (vane.edges + lost - 1) * EDGE_US
    assert abs(at_us - true_us) <= SLACK_US, (world.now_us, vane.edges, at_us, true_us, lost)
    assert world._n_edges - lost - vane.edges <= (2 if not n_stalls else 2 + 1_000_000 // EDGE_US)
assert n_stalls > 20
assert (lost > 100) if KIND == "pin" else lost == 0

# One check a second while it turns: all is well.
for _ in range(20):
    world.advance(world.now_us + 1_000_000)
    vane.read()
    assert vane.check()

# A handler that died (an error in it ends it for good) is noticed within two checks and set anew; no edge is lost.
if KIND == "pio":
    vane.machine._handler = None
elif KIND == "counter":
    vane.pin.irq(None, vane.pin.IRQ_FALLING)
if KIND != "pin":
    ticks = []
    for _ in range(3):
        world.advance(world.now_us + 1_000_000)
        ticks.append(vane.check())
    assert ticks.count(False) == 1, ticks
    world.advance(world.now_us + 1_000_000)
    assert abs(edge_time_us() - (FIRST_US + (vane.edges - 1) * EDGE_US)) <= SLACK_US
    assert world._n_edges - vane.edges <= 1

# Standstill: the age saturates and stays so through many wraps of the ticks, over three weeks.
world.edges.get = lambda i, beyond: beyond
world.advance(world.now_us + 1_000_000)
vane.read()
edges = vane.edges
while world.now_us < 21 * 86_400_000_000:
    world.advance(world.now_us + random.randrange(1_000_000, 300_000_000))
    vane.read()
    age = vane.age_us(ticks_us())
    assert age == 0xFFFFFF or world.now_us < 100_000_000_000, age
    assert vane.edges == edges and vane.check()
assert world.now_us >> 30 > 1500

# Then it turns again, past 2^24 edges.
vane.state[vanes.COUNT] = vane.edges = 0xFFFFFE
if KIND == "pio":
    vane.machine.x = 0xFFFFFFFF - 0xFFFFFE
next_us = world.now_us + 5_000
world.edges.get = lambda i, beyond: next_us + (i - first) * EDGE_US
first = world._n_edges
world._next_edge_us = next_us
seen = []
for _ in range(4):
    world.advance(world.now_us + 4_000 + (EDGE_US if seen else 1_000))
    vane.read()
    seen.append(vane.edges)
    assert vane.edges == (0xFFFFFE + world._n_edges - first) & 0xFFFFFF
    assert vane.age_us(ticks_us()) < 2 * EDGE_US + 10_000
assert seen[0] == 0xFFFFFF and seen[-1] < 16, seen
print("all right")
