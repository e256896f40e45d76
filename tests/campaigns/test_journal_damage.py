"""A small part of the campaign of damaged journals, drawn anew by a seed of its own."""

from __future__ import annotations

from pathlib import Path

from tests.campaigns.journal_damage import campaign


def test_damage_costs_what_it_hit_and_is_told(tmp_path: Path) -> None:
    ended, wrong = campaign(3, 30, tmp_path, every=30, sorts=2)
    assert wrong == []
    assert ended["lost and told"] > 3
    assert ended["nothing lost, nothing claimed"] > 3
