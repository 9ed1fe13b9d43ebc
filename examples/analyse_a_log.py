"""Analyse a demonstration log with two faults: which cylinder misfires, and which are accused falsely."""

from pathlib import Path

from misfire import AnalyseOptions, Engine
from misfire.pipeline import analyse_files

DEMO = Path(__file__).resolve().parent.parent / "datasets" / "demo"


def main() -> None:
    options = AnalyseOptions(
        Engine.load(DEMO / "engine.toml"),
        channels=str(DEMO / "two_faults_channels.csv"),
        counts=str(DEMO / "two_faults_counts.csv"),
        codes=("P0300", "P0303", "P0304"),
    )
    done = analyse_files([str(DEMO / "two_faults.csv.gz")], options)
    result = done.to_dict()
    print(result["verdict"]["headline"])
    for c in result["cylinders"]:
        print(
            f"cylinder {c['cylinder']}: {c['misfires']} of {c['firings']} firings missed, "
            f"{c['misfires_uncorrected']} by a monitor that trusts the wheel, {c['reported']} reported"
        )
    print(done.events.query("state == 'misfire'").head(3).to_string(index=False))


if __name__ == "__main__":
    main()
