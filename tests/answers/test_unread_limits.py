"""A limit that no reading meets is said, never silently left out."""

from tests.answers.loss_tables import NO_READINGS, attempts_of
from yieldkit.answers.limits import limits_without_readings
from yieldkit.answers.loss_readings import loss_readings
from yieldkit.crew import Crew


def test_a_limit_without_any_reading_is_named():
    crew = Crew.model_validate(
        {
            "limits": [
                {"quantity": "estimated loss", "limit_db": 0.15},
                {"quantity": "estimated loss", "limit_db": 0.10, "job": "J9"},
                {"quantity": "insertion loss", "limit_db": 0.5, "wavelength_nm": 1625},
            ]
        }
    )
    readings = loss_readings(attempts_of([0.02, 0.03]), NO_READINGS, crew)
    found = limits_without_readings(readings, crew=crew)
    assert list(found.table["wavelength_nm"].isna()) == [True, False]
    assert list(found.table["job"]) == ["J9", "all"]
    assert "No reading of this kind" in str(found)
    assert all(finding.severity == "cannot tell" for finding in found.findings)
