"""Known depths, read with the scatter of a hand on a rod."""

import random

from seeworthy.procedures.study import Goal, Study, Trial, measured


def run(repeats, seed):
    rng = random.Random(seed)
    for _ in range(repeats):
        truth = rng.uniform(5, 40)
        read = [f"{truth + rng.gauss(0, 0.2):.3f} cm" for _ in range(4)]
        found = measured("wading", readings={"depth": read}).results[0]
        yield Trial("dips", "wade_depth", truth, found.value, found.u, *found.interval)


STUDY = Study("wading", "Wading depth", run, {"dips": (Goal("rms", 0.3),)})
