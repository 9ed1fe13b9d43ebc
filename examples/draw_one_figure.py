"""Draw a figure of one's own with plotly: lost work of every firing over speed."""

import sys
from pathlib import Path

import plotly.graph_objects as go

from misfire import AnalyseOptions, Engine
from misfire.pipeline import analyse_files

DEMO = Path(__file__).resolve().parent.parent / "datasets" / "demo"


def main(target: str = "lost_work.html") -> None:
    options = AnalyseOptions(
        Engine.load(DEMO / "engine.toml"), channels=str(DEMO / "two_faults_channels.csv")
    )
    events = analyse_files([str(DEMO / "two_faults.csv.gz")], options).events
    plot = go.Figure()
    for state, symbol in (("firing", "circle-open"), ("misfire", "x")):
        mine = events[events["state"] == state].iloc[:: 1 if state == "misfire" else 10]
        plot.add_scatter(
            x=mine["rpm"], y=mine["lost_work"], mode="markers", name=state, marker={"symbol": symbol}
        )
    plot.update_layout(
        title="At which speed does the work of a firing get lost?",
        xaxis_title="speed [rpm]",
        yaxis_title="lost work [0 normal, 1 none]",
    )
    plot.write_html(target, include_plotlyjs=True)
    print(f"wrote {target}")


if __name__ == "__main__":
    main(*sys.argv[1:2])
