"""What to add to a description for a check that its node does not offer."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.description.loading import load_description
from hiltest.node.remedies import or_leave_out, remedy

if TYPE_CHECKING:
    from pathlib import Path


def test_the_roles_that_are_missing_are_named(tmp_path: Path, fixtures_dir: Path) -> None:
    """Those alone that the part lacks; nothing where the description lets the check be missing."""
    text = (fixtures_dir / "glue_head.toml").read_text(encoding="utf-8")
    text = "".join(
        line
        for line in text.splitlines(True)
        if not line.startswith(("pulse_s = {", "roles.pulse_s", "hang"))
    )
    (tmp_path / "head.toml").write_text(
        text.replace("[fixture]", '[fixture]\nmay_be_missing = ["heat.low_setpoint"]', 1), encoding="utf-8"
    )
    (tmp_path / "glue_head.eds").write_bytes((fixtures_dir / "glue_head.eds").read_bytes())
    description = load_description(tmp_path / "head.toml").description
    told = remedy(
        description, description.node[0], ["pulse_heater[reservoir]", "hang", "pulse_heater[reservoir]"]
    )
    assert told == "add roles.pulse_s to heater 'reservoir'; add roles.hang to node 'head'"
    assert or_leave_out(description, "heat.low_setpoint[reservoir]") == ""
    assert "'heat.pulse[reservoir]' to fixture.may_be_missing" in or_leave_out(
        description, "heat.pulse[reservoir]"
    )
