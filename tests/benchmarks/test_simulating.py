"""How long a simulated crew takes; the claim in docs/simulate.md."""

import time

import pytest

from yieldkit.simulate import simulate, typical_crew


@pytest.mark.benchmark
def test_half_a_year_of_ten_persons_takes_under_two_seconds():
    plan = typical_crew(technicians=10, weeks=26)
    simulate(plan, seed=1)
    spent = []
    for seed in (2, 3, 4):
        begun = time.process_time()
        crew = simulate(plan, seed=seed)
        spent.append(time.process_time() - begun)
    print(f"{len(crew.tables['attempts'])} records, CPU {min(spent):.2f} s")
    assert min(spent) < 2.0
