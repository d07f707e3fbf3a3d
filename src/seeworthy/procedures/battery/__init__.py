"""Battery: how long it records on one charge, and what the cold costs."""

from __future__ import annotations

from seeworthy.ground.examples import EXAMPLES
from seeworthy.ground.measurands import Measurand
from seeworthy.procedures.declare import Files, Finding, Option, Procedure, Reading, Step, later

# fmt: off
PROCEDURE = Procedure(
    id="battery",
    title="Running time on one charge",
    question="How long does it record, and what does the cold cost?",
    version=3,
    yields=(
        Measurand("run_time", "running time", "min", better="more", feels=("temperature",),
                  also=("battery", "battery life", "runtime"), least=0.0,
                  meaning="How long it records on one charge."),
        Measurand("run_time_slope", "running time per kelvin", "min/K", better="nearer", ideal=0.0,
                  meaning="What the cold costs."),
        Measurand("mean_power", "mean power", "W", better="less", feels=("temperature",),
                  also=("consumption",), least=0.0, meaning="What it draws from the cell."),
    ),
    order=160,
    steps=(
        Step("Charge the cell full with the maker's charger, within sight, and let it rest for "
             "an hour at the temperature of the run."),
        Step("Put in a card that is large enough, start recording, and note the time and the "
             "temperature beside the camera."),
        Step("Look at it every few minutes until it switches itself off and note the time. Do "
             "not leave it alone; stop if the cell swells or becomes too hot to hold."),
        Step("Do three runs at one temperature before you believe the scatter."),
        Step("For the cold repeat in a cool box or outdoors, within the maker's limits, the "
             "camera in a dry bag; let a cold cell warm up and dry before charging."),
        Step(f"Mark a run that ended for another reason: > {EXAMPLES['battery.run']} (stopped). It "
            "counts as 'at least'."),
    ),
    cautions=("lithium",),
    kit=("watch", "thermometer", "maker's charger", "large card"),
    findings=(
        Finding("complete_runs", "", "Runs that ended with an empty cell."),
        Finding("cut_short", "", "Runs that something else ended; lower bounds."),
        Finding("at_least", "", "Longest run cut short, per temperature."),
        Finding("model", "", "How running time follows temperature."),
        Finding("model_choice", "", "Why this model."),
    ),
    files=(
        Files("", ("table",),
              "A log with the columns start, end, temperature, note, one run per line.", least=0,
              most=0),
        Files("recording", ("clip",),
              "All files of one run, in order, from a full charge until it switched itself off.",
              least=0, most=0),
    ),
    readings=(
        Reading("run", "text",
                "One run: how long, at what temperature, and whether it was cut short.",
                EXAMPLES["battery.run"], repeat=True),
        Reading("capacity", "mAh", "Capacity of the cell.", EXAMPLES["battery.capacity"]),
        Reading("voltage", "V", "Mean voltage of the cell.", EXAMPLES["battery.voltage"]),
        Reading("at", "degC", "A temperature for which you want the running time of the next run.",
                EXAMPLES["battery.at"], repeat=True, positive=False),
        Reading("temperature", "degC", "Temperature of the recording.",
                EXAMPLES["battery.temperature"], positive=False),
    ),
    options=(
        Option("ended", "What ended the recording.", "battery",
               choices=("battery", "something else")),
    ),
    conclude=later(__name__, "conclude"),
    setup="cell and thermometer",
    minutes=180,
)
# fmt: on
