"""Pages of receivers, the summary and the budget table: one source, told alike everywhere."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from click.testing import CliRunner

from rf3d.answers import tenths
from rf3d.assessment.multipath import receiver_finding
from rf3d.assessment.pages import fading_text, fading_words, margin_words, page, summary
from rf3d.assessment.run import solve
from rf3d.cli import main
from rf3d.jobs import Jobs
from rf3d.plan import load_scene
from rf3d.units import busy_text, margin_text
from tests.test_air import ACCESS_POINT, PHONE, solved, written


def test_a_page_says_what_links_and_findings_say(tmp_path):
    """Every finding about the receiver and no other, the link's own numbers, and all of it as JSON can carry it."""
    solution = solved(
        tmp_path, more=ACCESS_POINT + PHONE, radio="packets_s = 40\nrepeats = 2\ndata_rate_bit_s = 1e6",
        transmitter="universes = 1\nslots = 512\nframes_s = 20",
        receiver='worn = true\nanswers = true\nanswer_power_dbm = 5\npurpose = "winch"\non_loss = "hold"',
    )  # fmt: skip
    told, (link,) = page(solution, "lamp"), solution.links
    assert json.loads(json.dumps(told, allow_nan=False)) == told
    assert told["findings"] == [f.as_json() for f in solution.findings if f.where == "lamp"]
    assert "safety-purpose" in [f["code"] for f in told["findings"]]
    assert (told["verdict"], told["chance_of_holding"]) == (link.verdict, link.chance)
    assert told["budget"][0] == {"item": "sent by the radio", "value": 10.0, "unit": "dBm", "note": "desk"}
    assert len(told["headings"]) == 8
    assert min(h["fade_power_dbm"] for h in told["headings"]) == link.fade_power_dbm
    assert told["air"]["busy_margin_db"] == link.busy_margin_db
    assert told["stutter"]["updates_s"] == 20.0
    assert told["answer"]["power_dbm"] == 5.0
    # 512 slots of 8 bit 20 times a second, each sent twice.
    assert told["air_time_share"] == pytest.approx(512 * 8 * 20 * 2 / 1e6)
    assert told["fading"]["depth_1_percent_db"] == pytest.approx(link.fade_depth_db)
    assert told["fading"]["second_antenna_gain_db"] >= 0.0


def test_margins_are_told_over_both_airs(tmp_path):
    (busy,) = solved(tmp_path, more=PHONE).links
    words, margins = margin_words(busy), (round(busy.margin_db), round(busy.busy_margin_db))
    busiest = f"{-margins[1]} dB too little over the busiest air"
    assert words.startswith(f"{margins[0]} dB above threshold on clean air; {busiest}")
    assert f"mostly phone, which disturbs {busy.air.disturbed} of 79 channels" in words
    (clean,) = solved(tmp_path).links
    assert margin_words(clean).endswith("clean air only: no other radio is listed on its band")
    assert fading_words(clean) == "none of 79 channels faded below what holds"


def test_margins_below_a_limit_are_told_without_a_sign(tmp_path):
    """A transmitter 60 dB weaker: so much below its threshold; a budget has no "-0.0"."""
    assert [margin_text(m, "its threshold") for m in (17.4, -17.4, -0.4)] == [
        "17 dB above its threshold", "17 dB below its threshold", "0 dB above its threshold",
    ]  # fmt: skip
    assert busy_text(-4.2, "the busiest air you listed") == "4 dB too little over the busiest air you listed"
    assert [tenths(v, signed=True) for v in (-0.04, 0.0, -0.06, 3.0)] == ["+0.0", "+0.0", "-0.1", "+3.0"]
    assert tenths(-0.04, signed=False) == "0.0"
    plan = written(tmp_path, more=PHONE)
    weak = replace(plan, transmitters=tuple(replace(t, power_dbm=t.power_dbm - 60.0) for t in plan.transmitters))
    solution = solve(weak, load_scene(weak), jobs=Jobs(workers=1))
    (link,) = solution.links
    words = margin_words(link)
    assert words.startswith(f"{-round(link.margin_db)} dB below threshold on clean air; ")
    assert f"; {-round(link.busy_margin_db)} dB too little over the busiest air you listed" in words
    (finding,) = [f for f in solution.findings if f.code == "too-weak"]
    level = f"({-round(link.margin_db)} dB below its threshold on the average, {-round(link.fade_margin_db)} dB on the"
    assert level in finding.message
    assert "-" not in finding.message.split(")")[0]
    edge = replace(link, sensitivity_dbm=link.mean_power_dbm - 3.0, fade_power_dbm=link.mean_power_dbm - 5.0)
    (receiver,) = solution.plan.receivers
    told = receiver_finding(
        solution.setting, solution.plan, edge, receiver=receiver, blame=(), obstacles=(), cures=()
    ).message  # fmt: skip
    assert "3 dB above its threshold on the average, 2 dB below it on the worst 1 in 100" in told


def test_the_summary_says_whether_it_holds_the_worst_and_what_to_do(tmp_path):
    good = summary(solved(tmp_path))
    assert good[0] == "It holds: the one receiver, on clean air only, since no other radio is listed."
    assert good[-1].startswith("First thing to do: list what else is on the air")
    jammer = ACCESS_POINT.replace("low_hz = 2402e6\nhigh_hz = 2422e6", "low_hz = 2400e6\nhigh_hz = 2483e6")
    jammer = jammer.replace("power_dbm = 20", "power_dbm = 40").replace("0.3", "0.6")
    bad = summary(solved(tmp_path, more=jammer))
    assert bad[0] == "It does not hold everywhere: 0 of 1 receivers hold, over the air listed."
    assert bad[1].startswith("Worst: lamp, lost (")
    assert bad[-1].startswith("First thing to do: lamp: ")


def test_terminal_and_json_tell_one_story(tmp_path):
    written(tmp_path, more=PHONE)
    out = tmp_path / "out.json"
    result = CliRunner().invoke(
        main, ["links", str(tmp_path / "open.toml"), "--budget", "--json", str(out), "--workers", "1", "--quiet"]
    )
    assert result.exit_code == 0, result.output
    data = json.loads(out.read_text())
    for line in data["summary"]:
        assert line.replace(" ", "") in result.stdout.replace("\n", "").replace(" ", "")
    (told,) = data["receivers"]
    assert told["findings"] == [f for f in data["findings"] if f["where"] == "lamp"]
    assert (told["verdict"], told["served_by"]) == (data["links"][0]["verdict"], data["links"][0]["transmitter"])
    for line in told["budget"]:
        assert line["item"] in result.stdout
    printed = " ".join(result.stdout.split())
    fading = told["fading"]
    assert f"Fading: {fading['words']}." in printed
    assert f"are {fading['depth_1_percent_db']:.0f} dB below the mean" in printed
    assert f"1 in 1000 {fading['depth_0.1_percent_db']:.0f} dB." in printed
    assert f"would win {fading['second_antenna_gain_db']:.0f} dB at the 1 % point." in printed


def test_fading_is_told_against_the_width_of_a_channel(tmp_path):
    """Echoes 100 ns apart by rms: 2 MHz fade together; of a channel of 1 MHz and of one of 4 MHz."""
    (link,) = solved(tmp_path).links
    assert "Nothing is delayed: a channel of 1 MHz fades as one." in fading_text(link)
    spread = replace(link, rms_delay_spread_s=1e-7, second_antenna_gain_db=None, faded_channels=(2, 4))
    mhz = spread.coherence_bandwidth_hz / 1e6
    assert fading_text(spread).startswith("expect 2 to 4 of 79 channels faded; which ones changes as people move. ")
    assert fading_text(spread).endswith(f" {mhz:.3g} MHz fade together; a channel of 1 MHz is narrower.")
    assert fading_text(replace(spread, bandwidth_hz=4e6)).endswith("of 4 MHz is no narrower, so bits may smear.")
    assert fading_text(replace(link, fade_power_dbm=-float("inf"))) == ""
