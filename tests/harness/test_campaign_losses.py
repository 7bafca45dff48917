"""Loss against false failsafe: what a campaign counts, and how the report bins it."""

from __future__ import annotations

import re
from pathlib import Path

from click.testing import CliRunner
from scipy import stats

from lostlink.campaigns.flight import flight_trials
from lostlink.campaigns.trials import TrialRange, fly
from lostlink.cli import main
from lostlink.report.distributions import _loss_bin
from lostlink_sims import Profile

HARSH = """schema = 1
name = "harsh"
[[radio.losses]]
model = "gilbert-elliott"
good_to_bad = "1 %"
bad_to_good = "6 %"
loss_bad = "95 %"
[receiver]
timeout = "200 ms"
[requirements]
cut_within = "250 ms"
motor_cut_within = "300 ms"
"""


def test_every_trial_is_in_one_bin() -> None:
    bins = [_loss_bin(share) for share in range(1001)]
    assert bins == sorted(bins)
    assert all(low <= share for share, low in enumerate(bins))
    assert {0, 45, 50, 75, 175, 200, 900} <= set(bins)
    tally = fly(TrialRange(flight_trials(Profile(), 1), None, 0, 100))
    assert sum(trials for trials, _ in tally.losses.values()) == 100


def test_report_tells_shares_with_exact_intervals(tmp_path: Path) -> None:
    """Clopper-Pearson, two-sided, against scipy."""
    (tmp_path / "harsh.toml").write_text(HARSH, encoding="utf-8")
    words = ["campaign", str(tmp_path / "harsh.toml"), "--trials", "500", "--quiet", "--out", str(tmp_path / "out")]
    assert CliRunner().invoke(main, words).exit_code == 1
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page[page.index("true share (95 %)") :]))
    found = re.search(r"from 10 % (\d+) (\d+) ([\d.]+) % ([\d.]+) to ([\d.]+) %", text)
    assert found is not None
    trials, false = int(found[1]), int(found[2])
    interval = stats.binomtest(false, trials).proportion_ci(0.95, "exact")
    assert found[4] == f"{100 * interval.low:.2g}"
    assert found[5] == f"{100 * interval.high:.2g}"
