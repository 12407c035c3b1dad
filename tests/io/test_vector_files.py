"""Vectors read back from calibration tables."""

import numpy as np
import pytest

from pipeline.errors import ProductError
from pipeline.io.columns import RESPONSE
from pipeline.io.provenance import Provenance
from pipeline.io.tables import write_table
from pipeline.io.vector_files import read_vectors

MADE = Provenance("driftloom 0", "3", (), "abc")


@pytest.fixture
def path(tmp_path):
    n = 6
    columns = {
        "column": np.arange(n, dtype=np.int32), "response": np.linspace(0.9, 1.1, n),
        "response_err": np.full(n, 1e-3), "intercept": np.zeros(n), "intercept_err": np.ones(n),
        "chi2": np.ones(n), "mask": np.zeros(n, dtype=np.int32),
    }  # fmt: skip
    (written,) = write_table(
        tmp_path / "r", columns, schema=RESPONSE, meta={"NSTAGE": 4}, provenance=MADE,
        formats=("fits",), bits="mask",
    )  # fmt: skip
    return written


def test_columns_header_and_provenance(path):
    found = read_vectors(path, kind="response", n_columns=6)
    np.testing.assert_array_equal(found.columns["response"], np.linspace(0.9, 1.1, 6))
    assert found.meta["NSTAGE"] == 4
    assert found.provenance.code == "driftloom 0"


def test_another_chip_or_kind_is_refused(path):
    with pytest.raises(ProductError, match=r"must hold columns 0 to 7 .* holds 6 rows; is it of"):
        read_vectors(path, kind="response", n_columns=8)
    with pytest.raises(ProductError, match="has no column 'bias'; is it a dark table"):
        read_vectors(path, kind="dark", n_columns=6)
    with pytest.raises(ValueError, match="kind must be 'dark' or 'response', received 'flat'"):
        read_vectors(path, kind="flat", n_columns=6)
    with pytest.raises(ProductError, match="cannot be read"):
        read_vectors(path.with_name("none.fits"), kind="response", n_columns=6)
