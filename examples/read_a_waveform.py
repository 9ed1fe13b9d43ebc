"""Write the voltage of a simulated pickup as a waveform CSV, then read and analyse that file."""

import sys
from pathlib import Path

from misfire import AnalyseOptions, ReadOptions, analyse, read
from misfire.simulate import Misfires, Scenario, simulate
from misfire.simulate.waveform import waveform, write_waveform_csv


def main(target: str = "waveform.csv") -> None:
    scenario = Scenario.steady("inline4", rpm=1500, load_pct=40, duration_s=12).but(
        misfires=(Misfires(kind="every", cylinders=(2,), every=9),)
    )
    done = simulate(scenario)
    time_s, crank_v = waveform(done, "vr", rate_hz=100e3)
    write_waveform_csv(Path(target), time_s, crank_v)

    recording = read(target, ReadOptions(crank_column="crank_v"))
    for name, value in recording.decisions.items():
        print(f"{name}: {value}")
    result = analyse(recording, AnalyseOptions(done.engine)).to_dict()
    print(f"{recording.crank_s.size} edges read, {done.recording.crank_s.size} simulated")
    # the file holds no cam signal: which of two companions misfires stays open, and the answer says so
    print(result["verdict"]["headline"])
    for line in result["verdict"]["missing"]:
        print("record next:", line)


if __name__ == "__main__":
    main(*sys.argv[1:2])
