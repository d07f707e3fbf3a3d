"""What the add-on computes."""

from statistics import fmean, stdev

from seeworthy.ground.results import Axis, Figure, Mark
from seeworthy.results import Outcome, result

READ_TO = 0.2  # cm, how well a mark on the rod is read


def conclude(inputs, seen):
    depths = [one.value for one in inputs.all_readings("depth")]
    n = len(depths)
    u = (stdev(depths) ** 2 / n + READ_TO**2) ** 0.5 if n > 1 else READ_TO
    splashes = inputs.reading("splashes")
    figure = Figure(
        "dips",
        "Depth dip by dip",
        "Each dip is one dot.",
        {"dip": list(range(1, n + 1)), "depth": depths},
        Axis("dip", "dip", ""),
        Axis("depth", "depth", "cm"),
        (Mark("points", y="depth"),),
    )
    found = {"splash_rate_per_min": splashes.value if splashes else None, "sealed": True}
    return Outcome(
        (result("wade_depth", fmean(depths), u, n=n, conditions={"temperature": 12.0}),),
        found,
        figures=(figure,),
    )
