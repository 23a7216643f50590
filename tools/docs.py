"""Make the guide's generated parts: parameter tables, the list of steps, the pictures."""

from __future__ import annotations

import subprocess
import sys
from importlib import import_module
from pathlib import Path

from host import BUILD, ROOT, headless

STEPS = ROOT / "docs" / "steps"
PICTURES = ROOT / "docs" / "pictures"
SCORES = "<!-- scores: written by make docs -->"
START, END = "<!-- parameters: written by make docs -->", "<!-- end -->"


def parameter_table(step) -> str:
    """The step's parameters as a table, from its own records."""
    rows = ["| parameter | label | default | meaning |", "|---|---|---|---|"]
    for record in step.parameters:
        default = "" if record.default in (None, "") else f"`{record.default}`"
        label = record.full_label().replace("[", "(").replace("]", ")")
        words = record.help.replace("|", "/")
        options = getattr(record, "options", ())
        if options:
            words = f"{words} One of {', '.join(f'`{option}`' for option in options)}."
        rows.append(f"| `{record.name}` | {label} | {default} | {words} |")
    return "\n".join(rows)


def write_step_page(step) -> None:
    """Put the parameter table into the step's page."""
    path = STEPS / f"{step.identifier}.md"
    text = path.read_text("utf-8").split(START)[0].rstrip()
    table = f"{START}\n\n## Parameters\n\n{parameter_table(step)}\n\n{END}"
    path.write_text(f"{text}\n\n{table}\n", encoding="utf-8")


def write_index(steps, stages) -> None:
    """List the steps by stage."""
    rows = ["# The steps", "", "In the order of the job.", ""]
    for stage, title in stages.items():
        of_stage = [step for step in steps if step.stage == stage]
        if of_stage:
            rows += [f"## {title}", ""]
            rows += [
                f"- [{step.title}]({step.identifier}.md) (`lynchet:{step.identifier}`): "
                f"{step.summary}"
                for step in of_stage
            ]
            rows.append("")
    rows += [
        "## Ready-made models",
        "",
        "- *Correct readings* (`lynchet:correctreadings`): spikes, drift and levels in one run.",
        "- *Logger table to anomaly map* (`lynchet:tabletomap`): the whole job in one run.",
        "",
    ]
    (STEPS / "README.md").write_text("\n".join(rows), encoding="utf-8")


def write_scores() -> None:
    """Put the table of scores into its page."""
    sys.path.insert(0, str(ROOT))
    from tests.benchmarks.scores import table

    path = ROOT / "docs" / "scores.md"
    text = path.read_text("utf-8")
    head, rest = text.split(SCORES)
    tail = rest.split(END, 1)[1]
    path.write_text(f"{head}{SCORES}\n\n{table()}\n\n{END}{tail}", encoding="utf-8")


def main() -> int:
    """Run the demo for its results, then write everything."""
    demo = BUILD / "demo"
    subprocess.run([sys.executable, str(ROOT / "tools" / "demo.py")], check=True)
    PICTURES.mkdir(parents=True, exist_ok=True)
    with headless():
        from lynchet.plugin.provider import STEPS as steps
        from lynchet.plugin.stages import STAGES
        from pictures import draw_tutorial

        for step in steps:
            write_step_page(step)
        write_index(steps, STAGES)
        draw_tutorial(demo, PICTURES)
        for path in sorted((ROOT / "tools" / "step_pictures").glob("[a-z]*.py")):
            import_module(f"step_pictures.{path.stem}").draw(demo, PICTURES)
    write_scores()
    for path in sorted(Path(ROOT / "docs").rglob("*")):
        if path.is_file():
            print(path.relative_to(ROOT))
    return 0


if __name__ == "__main__":
    sys.exit(main())
