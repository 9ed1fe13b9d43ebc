"""Compare the drives before and after the pattern learn: did it clear the counts?"""

from pathlib import Path

from misfire import AnalyseOptions, Engine, Side, compare
from misfire.pipeline import analyse_files

DEMO = Path(__file__).resolve().parent.parent / "datasets" / "demo"


def side(name: str) -> Side:
    """One analysed drive with its slow channels and controller counts."""
    options = AnalyseOptions(
        Engine.load(DEMO / "engine.toml"),
        channels=str(DEMO / f"{name}_channels.csv"),
        counts=str(DEMO / f"{name}_counts.csv"),
    )
    return Side.of(analyse_files([str(DEMO / f"{name}.csv.gz")], options))


def main() -> None:
    verdict = compare([side("before")], [side("after")])["verdict"]
    print(verdict["answer"])
    print(verdict["headline"])
    for reason in verdict["reasons"]:
        print("-", reason)


if __name__ == "__main__":
    main()
