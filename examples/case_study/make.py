"""Write the case study: `python examples/case_study/make.py` analyses the demonstration logs again and makes
README.md and its pictures in this folder, so that no number in it is copied by hand."""

import sys
from pathlib import Path

from misfire import AnalyseOptions, Engine
from misfire.comparison import Side, compare
from misfire.pipeline import analyse_files
from misfire.report.drawing import picture_file
from misfire.report.figures_compare import rates
from misfire.report.figures_events import strips
from misfire.report.figures_fit import companion_plane
from misfire.report.figures_wheel import tooth_pattern
from misfire.report.firings import read_firings
from misfire.report.words import no_misfire
from misfire.triage import triage

HERE = Path(__file__).resolve().parent
DEMO = HERE.parents[1] / "datasets" / "demo"
CODES = ("P0300", "P0303", "P0304")

TEXT = """# Case study: two cylinders accused, none guilty

Made by `python examples/case_study/make.py` from the logs in `datasets/demo`. **The engine and its faults are
invented and simulated** (`datasets/README.md`); the study shows how the tool is used, not how well it works on a
real engine.

## The complaint

An inline six, firing order 1-5-3-6-2-4, goes into limp mode above 3000 rpm since its crank wheel was replaced; stored
are {codes}. Coils and injectors for 3 and 4 are about to be bought.

## What the codes alone say

```
misfire triage {code_words} --engine inline6
```

> {triage}

## What a drive of {duration:.0f} s says

The drive was recorded at idle, at two steady speeds and in a coast-down with the fuel cut; crank and cam edges, the
slow channels and the controller's counts.

```
misfire analyse before.csv.gz --engine engine.toml --channels before_channels.csv --counts before_counts.csv --codes {code_list} --report report.html
```

> {headline}
> {none}

| cylinder | firings | misfires found | an uncorrected monitor would count | the controller counted |
|---|---|---|---|---|
{counts}

**Is it the wheel or a cylinder?** Companions pass the same teeth, one turn apart. A wheel error moves both alike, up
the diagonal; a misfire moves one cylinder along its axis. All of 3 and 4 sits on the diagonal, at the same place at
every speed, and nothing lies on an axis.

![Companions against each other](companions.svg)

**What is wrong with the wheel?** The teeth come late on one half of the turn and early on the other, at most
{worst:.2f} deg: a wheel that sits off centre. The parts that repeat with every firing are taken out.

![Tooth pattern](wheel.svg)

## What was done

The wheel sits firm and has no damage, so the controller was made to learn its pattern as it is. The same drive was
recorded again. No part was bought.

## Did it clear?

```
misfire compare before.csv.gz after.csv.gz --engine engine.toml --counts-before before_counts.csv --counts-after after_counts.csv --report compare.html
```

> {answer}

![Rates before and after](rates.svg)

Open marks are before, full ones after; squares and dots are what the log shows, with 95 % intervals, diamonds what the
controller counted.

## How a true misfire would have looked

`two_faults.csv.gz` is a drive with a wheel off centre as well and a coil that drops sparks on cylinder 5.

> {two_headline}

The pair of 3 and 4 sits on the diagonal as before. The {two_misfires} misfires of cylinder 5 lie out along its own axis,
farther out at the lower speed:

![Companions against each other, with a true misfire](companions-true.svg)

Only cylinder 5 has marks at 1, which is no work at all, and only from 1500 rpm up:

![Lost work along the log, with a true misfire](strips-true.svg)
"""


def side(name: str) -> Side:
    """One analysed drive with its slow channels and the controller's counts."""
    options = AnalyseOptions(
        Engine.load(DEMO / "engine.toml"),
        channels=str(DEMO / f"{name}_channels.csv"),
        counts=str(DEMO / f"{name}_counts.csv"),
        codes=() if name == "after" else CODES,
    )
    done = analyse_files([str(DEMO / f"{name}.csv.gz")], options)
    return Side(done.to_dict(), done.events, done.engine)


def main(target: str = str(HERE)) -> None:
    before, after, both = side("before"), side("after"), side("two_faults")
    compared = compare([before], [after])
    result, two = before.result, read_firings(both.result, both.events)
    figures = {
        "companions": companion_plane(result, read_firings(result, before.events)),
        "wheel": tooth_pattern(result),
        "rates": rates(compared, result, after.result),
        "companions-true": companion_plane(both.result, two),
        "strips-true": strips(both.result, two),
    }
    for name, figure in figures.items():
        (Path(target) / f"{name}.svg").write_text(picture_file(figure.plot, figure.alt), "utf-8")
    keys = ("cylinder", "firings", "misfires", "misfires_uncorrected", "reported")
    text = TEXT.format(
        codes=", ".join(CODES),
        code_words=" ".join(CODES),
        code_list=",".join(CODES),
        triage=triage(CODES, Engine.load("inline6"))["headline"],
        duration=result["log"]["duration_s"],
        headline=result["verdict"]["headline"],
        counts="\n".join("| " + " | ".join(str(c[k]) for k in keys) + " |" for c in result["cylinders"]),
        worst=max(abs(e) for e in result["pattern"]["tooth_error_deg"] if e is not None),
        answer=compared["verdict"]["headline"],
        none=no_misfire(result),
        two_headline=both.result["verdict"]["headline"],
        two_misfires=sum(c["misfires"] for c in both.result["cylinders"]),
    )
    (Path(target) / "README.md").write_text(text, "utf-8")
    print(f"wrote {target}/README.md and {len(figures)} pictures")


if __name__ == "__main__":
    main(*sys.argv[1:2])
