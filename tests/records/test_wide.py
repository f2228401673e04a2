"""Wide test rows: one row a reading, and where its wavelength comes from."""

from yieldkit.records.parsing import parse
from yieldkit.records.proposing import propose

_LOG = (
    "job;panel;port;date;wavelength;IL;RL;result\n"
    + "".join(
        f"K700;P01;{port};03.11.2026 08:0{port};"
        f"{1310 if port % 2 else 1550};0,{port};5{port},7;OK\n"
        for port in range(1, 9)
    )
    + "K700;P01;9;13.11.2026 08:09;1310;0,19;52,5;OK\n"
).encode()


def test_a_wavelength_column_beside_several_readings_is_proposed_and_read():
    layout = propose(_LOG, "tests.csv").layout
    assert layout.columns["wavelength_nm"] == "wavelength"
    read = parse(_LOG, "tests.csv", layout).rows
    losses = [row for row in read.to_pylist() if row["quantity"] == "insertion loss"]
    assert [row["wavelength_nm"] for row in losses] == [1310.0, 1550.0] * 4 + [1310.0]
