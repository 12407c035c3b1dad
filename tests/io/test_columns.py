"""Columns of the tables: names, units and UCDs against the published vocabularies."""

import re

import astropy.units as u
import numpy as np
import pytest
from astropy.io.votable.ucd import check_ucd, parse_ucd

from pipeline.io.columns import SCHEMAS, document_columns

ALL = [column for schema in SCHEMAS.values() for column in schema]
IDS = [f"{name} {column.name}" for name, schema in SCHEMAS.items() for column in schema]


@pytest.mark.parametrize("column", ALL, ids=IDS)
def test_ucd_is_in_the_vocabulary(column):
    """IVOA "The UCD1+ controlled vocabulary", as astropy carries it, primaries first."""
    parse_ucd(column.ucd, check_controlled_vocabulary=True, has_colon=False)


def test_a_wrong_ucd_would_be_noticed():
    assert not check_ucd("phot.brightness", check_controlled_vocabulary=True)
    assert not check_ucd("meta.main;pos.eq.ra", check_controlled_vocabulary=True)  # order


@pytest.mark.parametrize("column", ALL, ids=IDS)
def test_column_is_well_formed(column):
    assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
    assert column.text
    assert len(column.text) <= 68  # a value of a FITS card
    assert column.text.isascii()
    if column.unit:
        # FITS 4.0, table 5, has no unit for electrons; counts stand in for them here.
        u.Unit(column.unit.replace("electron", "count"), format="fits")
    if column.kind != "str":
        np.dtype(column.kind)


def test_units_are_those_of_the_fits_standard():
    with pytest.raises(ValueError, match="did not parse"):
        u.Unit("pixels", format="fits")


@pytest.mark.parametrize("table", SCHEMAS)
def test_names_are_unique(table):
    names = [c.name for c in SCHEMAS[table]]
    assert len(set(names)) == len(names)


@pytest.mark.parametrize("table", SCHEMAS)
def test_every_error_column_is_that_of_a_column(table):
    """An error has its value's unit."""
    columns = {c.name: c for c in SCHEMAS[table]}
    for name, column in columns.items():
        if name.endswith("_err"):
            value = columns[name.removesuffix("_err")]
            assert column.ucd.startswith("stat.error;")
            if name not in {"ra_err", "dec_err"}:  # deg, and arcsec on the sky
                assert column.unit == value.unit


def test_main_columns_are_marked_once():
    for schema in SCHEMAS.values():
        words = [c.ucd for c in schema if c.ucd.endswith("meta.main")]
        assert len(set(words)) == len(words)


def test_obscore_has_the_mandatory_fields():
    """IVOA ObsCore 1.1, table 1 (mandatory fields of the data model)."""
    mandatory = (
        "dataproduct_type calib_level obs_collection obs_id obs_publisher_did access_url "
        "access_format access_estsize target_name s_ra s_dec s_fov s_region s_xel1 s_xel2 "
        "s_resolution t_min t_max t_exptime t_resolution t_xel em_min em_max em_res_power em_xel "
        "o_ucd pol_states pol_xel facility_name instrument_name"
    )
    assert " ".join(c.name for c in SCHEMAS["obscore"]) == mandatory


def test_documentation_names_every_column():
    text = document_columns(SCHEMAS["strip catalogue"])
    assert text.count("\n") == len(SCHEMAS["strip catalogue"]) + 2
    assert "| ref_mag_offset | mag | phot.mag;arith.diff | measured minus reference |\n" in text
