"""Simulate a V8 whose cylinder 3 misses one firing in ten, and see whether the log shows it."""

from misfire import AnalyseOptions, analyse
from misfire.simulate import Misfires, Scenario, simulate


def main() -> None:
    scenario = Scenario.steady("v8", rpm=1800, load_pct=40, duration_s=40, seed=3).but(
        misfires=(Misfires(kind="random", cylinders=(3,), rate=0.1),)
    )
    done = simulate(scenario)
    result = analyse(done.recording, AnalyseOptions(done.engine), channels=[done.channels]).to_dict()
    print(result["verdict"]["headline"])
    for c in result["cylinders"]:
        true = done.truth.misfires[c["cylinder"]]
        print(f"cylinder {c['cylinder']}: {true} misfires in truth, {c['misfires']} found")


if __name__ == "__main__":
    main()
