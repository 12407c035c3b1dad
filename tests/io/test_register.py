"""The register of calibrations: written, read, edited by hand, and asked."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import CalibrationError
from pipeline.io.provenance import checksum_file
from pipeline.io.register import Entry, Register, read_register, write_register
from pipeline.io.register_edits import keep_edits

SUM = "sha256:" + "0" * 64


def entry(name, first="2025-03-01", last="2025-03-31", **fields):
    known = {
        "id": name, "kind": "response", "chip": "1", "filter": "r", "valid_from": first,
        "valid_to": last, "n_nights": 2, "made": "2025-04-01T00:00:00Z",
        "file": f"season/{name}.fits", "checksum": SUM,
    }  # fmt: skip
    return Entry(**(known | fields))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "register.toml"


def test_what_is_written_is_read(path):
    entries = [
        entry("a", inputs=("summaries/x.fits sha256:1",), remarks=('a "quoted" remark', "b\\c")),
        entry("b", kind="dark", filter="", preferred=True),
    ]
    write_register(path, entries)
    assert list(read_register(path).entries) == entries
    assert path.read_text(encoding="utf-8").startswith("# Register of calibrations")


@settings(max_examples=30, deadline=None)
@given(st.text(max_size=40))
def test_any_remark_survives(tmp_path_factory, text):
    path = tmp_path_factory.mktemp("any") / "register.toml"
    text = text.encode("utf-8", "ignore").decode()
    write_register(path, [entry("a", remarks=(text,))])
    assert read_register(path).entries[0].remarks == (text,)


@pytest.mark.parametrize("night", ["2025-03-01", "2025-03-15", "2025-03-31"])
def test_both_ends_of_a_validity_count(path, night):
    register = Register(path, [entry("a"), entry("b", "2025-04-01", "2025-04-30")])
    assert register.choose("response", "1", "r", night).id == "a"


@pytest.mark.parametrize(
    ("asked", "text"),
    [
        (("response", "1", "r", "2025-05-01"),
         r"2025-05-01: no response .* filter r holds for it \(there are: a: 2025-03-01 to 2025-03"),
        (("response", "2", "r", "2025-03-02"), r"there are: none\)"),
        (("response", "1", "g", "2025-03-02"), "no response of chip 1, filter g"),
        (("dark", "1", "", "2025-03-02"), "no dark of chip 1 holds"),
    ],
)  # fmt: skip
def test_none_covers_the_night(path, asked, text):
    register = Register(path, [entry("a")])
    with pytest.raises(CalibrationError, match=text) as caught:
        register.choose(*asked)
    assert str(caught.value).startswith(str(path))
    assert "driftloom season" in str(caught.value)


def test_two_claim_a_night(path):
    register = Register(path, [entry("a"), entry("b", "2025-03-20", "2025-04-10", n_nights=90)])
    assert register.choose("response", "1", "r", "2025-03-19").id == "a"
    with pytest.raises(CalibrationError, match=r"2 calibrations claim it.*a \(.*b \(.*0 of them"):
        register.choose("response", "1", "r", "2025-03-20")
    assert register.find_overlaps() == (
        "a and b both claim 2025-03-20 to 2025-03-31: none is preferred",
    )
    marked = Register(path, [entry("a", preferred=True), entry("b")])
    assert marked.choose("response", "1", "r", "2025-03-20").id == "a"
    assert marked.find_overlaps()[0].endswith("a is preferred")
    both = Register(path, [entry("a", preferred=True), entry("b", preferred=True)])
    with pytest.raises(CalibrationError, match="2 of them are marked"):
        both.choose("response", "1", "r", "2025-03-20")


BAD = [
    ("valid_to =", "valid_too =",
     r"calibration\[1\].valid_too: unknown key; did you mean 'valid_to'\? valid keys: id, kind"),
    ('kind = "response"', 'kind = "flat"', r"calibration\[1\].kind: received 'flat'; allowed:"),
    ('valid_from = "2025-03-01"', 'valid_from = "01.03.2025"',
     r"calibration\[1\].valid_from: received '01.03.2025'; allowed: a night as YYYY-MM-DD"),
    ('valid_from = "2025-03-01"', "valid_from = 2025-03-01",
     r"calibration\[1\].valid_from: .*allowed: a night as YYYY-MM-DD, in quotes"),
    ('valid_to = "2025-03-31"', 'valid_to = "2025-02-01"',
     r"calibration\[1\].valid_to: received '2025-02-01'; allowed: a night not before valid_from"),
    ("n_nights = 2", "n_nights = -2", r"calibration\[1\].n_nights: received -2; allowed: .*>= 0"),
    (SUM, "sha256:12", r"calibration\[1\].checksum: received 'sha256:12'; allowed: \"sha256:\""),
    ('id = "b"', 'id = "a"', r"calibration\[1\].id: received 'a'; allowed: a name that no other"),
    ('file = "season/b.fits"\n', "", r"calibration\[1\].file: missing; it is required \(FITS tab"),
    ("[[calibration]]", "[[calibrations]]", r"calibrations: unknown key; did you mean 'calibrat"),
    ('chip = "1"', "chip = 1", r"calibration\[1\].chip: received 1"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "text"), BAD, ids=[b[1][:20] for b in BAD])
def test_a_slip_of_the_pen_is_named_with_file_table_key_and_rule(path, old, new, text):
    write_register(path, [entry("a"), entry("b")])
    whole = path.read_text(encoding="utf-8")
    at = whole.rindex(old)
    path.write_text(whole[:at] + new + whole[at + len(old) :], encoding="utf-8")
    with pytest.raises(CalibrationError, match=text) as caught:
        read_register(path)
    assert str(caught.value).startswith(f"{path}: ")


def test_no_toml_and_no_file(path):
    with pytest.raises(CalibrationError, match=r"cannot be read .*Run `driftloom season` first"):
        read_register(path)
    path.write_text("[[calibration]\n", encoding="utf-8")
    with pytest.raises(CalibrationError, match=r"not valid TOML: .*line 1"):
        read_register(path)


def test_the_file_of_an_entry_is_the_one_registered(path):
    file = path.parent / "season" / "a.fits"
    file.parent.mkdir()
    file.write_bytes(b"calibration")
    register = Register(path, [entry("a", checksum=checksum_file(file))])
    assert register.open(register.entries[0]) == file
    file.write_bytes(b"another")
    with pytest.raises(CalibrationError, match=r"a: .*a.fits was changed after it was registered"):
        register.open(register.entries[0])
    file.unlink()
    with pytest.raises(CalibrationError, match=r"a: .*cannot be read.*run `driftloom season`"):
        register.open(register.entries[0])


def computed(name, first="2025-03-01", last="2025-03-31", **fields):
    """As a season makes it."""
    return entry(name, first, last, computed_from=first, computed_to=last, **fields)


def edit(one, **changes):
    return one.model_copy(update=changes)


def test_nothing_edited_changes_nothing():
    made = [computed("a"), computed("b", "2025-04-01", "2025-04-30")]
    before = [computed("a", last="2025-03-20"), entry("b", "2025-04-01", "2025-05-30")]
    assert keep_edits(made, before) == (tuple(made), ())


def test_each_end_that_was_edited_is_kept_and_the_other_follows_the_season():
    before = [edit(computed("a", last="2025-03-20"), valid_from="2025-02-20")]
    (kept,), (text,) = keep_edits([computed("a")], before)
    assert (kept.valid_from, kept.valid_to) == ("2025-02-20", "2025-03-31")
    assert (kept.computed_from, kept.computed_to) == ("2025-03-01", "2025-03-31")
    assert text == (
        "a: set by hand: 2025-02-20 to 2025-03-31 is kept, the season found 2025-03-01 to "
        "2025-03-31"
    )
    assert kept.remarks == (text.removeprefix("a: "),)
    # And again: nothing piles up.
    assert keep_edits([computed("a")], [kept]) == ((kept,), (text,))


def test_dates_put_back_follow_the_season_again():
    before = [edit(computed("a", last="2025-03-20"), remarks=("set by hand: x",))]
    assert keep_edits([computed("a")], before) == ((computed("a"),), ())


def test_a_preference_is_kept_and_said():
    (kept,), (text,) = keep_edits([computed("a")], [edit(computed("a"), preferred=True)])
    assert kept.preferred
    assert text == "a: set by hand: preferred = true is kept"


def test_an_interval_that_begins_earlier_inherits():
    """A night before the first gives the calibration another name."""
    before = [edit(computed("r_03-05", "2025-03-05"), valid_to="2025-04-10", preferred=True)]
    made = [computed("r_03-01"), computed("d_03-05", kind="dark", filter="")]
    kept, texts = keep_edits(made, before)
    assert (kept[0].valid_to, kept[0].preferred) == ("2025-04-10", True)
    assert kept[1] == made[1]
    assert len(texts) == 1


def test_what_is_gone_with_its_interval_is_said():
    """Two intervals became one, which has edits of its own."""
    first = edit(computed("a", last="2025-03-10"), valid_from="2025-02-01")
    second = edit(computed("b", "2025-03-11"), valid_to="2025-04-15")
    (kept,), texts = keep_edits([computed("a")], [first, second])
    assert (kept.valid_from, kept.valid_to) == ("2025-02-01", "2025-03-31")
    assert texts[1] == (
        "b: no longer found; what was set by hand there (2025-03-11 to 2025-04-15) ends with it"
    )


def test_an_edited_end_that_the_season_moved_past_keeps_both():
    before = [edit(computed("a", last="2025-03-05"), valid_to="2025-03-08")]
    made = [edit(computed("a", "2025-03-20"), id="a")]
    (kept,), _ = keep_edits(made, before)
    assert (kept.valid_from, kept.valid_to) == ("2025-03-01", "2025-03-08")


def test_a_night_within_the_computed_dates_hears_nothing_of_the_edit():
    one = edit(computed("a", remarks=("x", "set by hand: y")), valid_to="2025-04-10")
    assert one.describe_for("2025-03-10") == ("x",)
    plain, beyond = one.describe_for("2025-04-05")
    assert plain == "x"
    assert beyond == (
        "used for night 2025-04-05 beyond the nights it was made for, 2025-03-01 to 2025-03-31: "
        "its validity was set by hand"
    )
