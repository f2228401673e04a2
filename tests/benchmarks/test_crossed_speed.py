"""Crossed effects timed beside R's lme4, in CPU seconds; skipped, and why, where R has it not."""

import subprocess
import time
import tracemalloc

import numpy as np
import pandas as pd
import pytest

from yieldkit.methods.crossed import Counts, factors, fit_gaussian, fit_laplace, integrate

pytestmark = pytest.mark.benchmark


def with_lme4(script, folder):
    """CPU seconds and peak memory [MB] of a fit in R, and its standard deviations."""
    probe = "q(status = !requireNamespace('lme4', quietly = TRUE))"
    try:
        found = subprocess.run(["Rscript", "-e", probe], capture_output=True, check=False)
    except FileNotFoundError:
        pytest.skip("R is not installed")
    if found.returncode:
        pytest.skip("R has no lme4")
    path = folder / "fit.R"
    path.write_text(
        "suppressMessages(library(lme4)); invisible(gc(reset = TRUE))\n"
        f"d <- readBin('{folder}/d.bin', 'double', n = 1e8)\n" + script + "\n"
        "m <- sum(gc()[, 6]); s <- as.data.frame(VarCorr(f))$sdcor\n"
        "cat(format(t[['user.self']] + t[['sys.self']], digits = 6), m, format(s, digits = 8))\n",
        encoding="utf-8",
    )
    said = subprocess.run(["Rscript", str(path)], capture_output=True, text=True, check=True)
    values = [float(word) for word in said.stdout.split()]
    return values[0], values[1], np.array(values[2:])


def timed(call):
    """Answer, CPU seconds and peak memory [MB] traced in a second run."""
    start = time.process_time()
    answer = call()
    seconds = time.process_time() - start
    tracemalloc.start()
    call()
    peak = tracemalloc.get_traced_memory()[1] / 1e6
    tracemalloc.stop()
    return answer, seconds, peak


def test_gaussian_500_000_rows(tmp_path):
    """200 technicians x 80 splicers x 120 cleavers x 40 lots; seed 1."""
    rng, n = np.random.default_rng(1), 500_000
    sizes = (200, 80, 120, 40)
    codes = [rng.integers(0, size, n) for size in sizes]
    y = -3.0 + 0.45 * rng.standard_normal(n)
    for code, size, sd in zip(codes, sizes, (0.2, 0.1, 0.15, 0.1), strict=True):
        y += sd * rng.standard_normal(size)[code]
    np.concatenate([y, *codes]).astype(float).tofile(tmp_path / "d.bin")

    def ours():
        return fit_gaussian(y, np.ones((n, 1)), factors(dict(zip("abcd", codes, strict=True))))

    fit, seconds, peak = timed(ours)
    peer, peer_peak, sds = with_lme4(
        f"n <- {n}; d <- data.frame(y = d[1:n], a = factor(d[n + 1:n]), b = factor(d[2 * n + 1:n]),"
        " c = factor(d[3 * n + 1:n]), e = factor(d[4 * n + 1:n]))\n"
        "t <- system.time(f <- lmer(y ~ 1 + (1|a) + (1|b) + (1|c) + (1|e), d))",
        tmp_path,
    )
    print(f"\ngaussian: {seconds:.2f} s, {peak:.0f} MB; lmer {peer:.1f} s, {peer_peak:.0f} MB")
    print("ours", [*fit.sd, fit.residual_sd], "theirs", sds)
    assert sorted([*fit.sd, fit.residual_sd]) == pytest.approx(sorted(sds), rel=1e-3)


def test_20_000_ribbons(tmp_path):
    """200,000 values, 20,000 ribbons x 20 technicians x 10 splicers; pass and fail too; seed 4."""
    rng, n = np.random.default_rng(4), 200_000
    sizes = {"ribbon": 20_000, "technician": 20, "splicer": 10}
    codes = {name: rng.integers(0, size, n) for name, size in sizes.items()}
    eta = np.full(n, 3.0)
    for (name, size), sd in zip(sizes.items(), (0.4, 0.3, 0.3), strict=True):
        eta += sd * rng.standard_normal(size)[codes[name]]
    y = eta + 0.5 * rng.standard_normal(n)
    passed = rng.random(n) < 1 / (1 + np.exp(-eta))
    np.concatenate([y, *codes.values()]).astype(float).tofile(tmp_path / "d.bin")

    fit, seconds, peak = timed(lambda: fit_gaussian(y, np.ones((n, 1)), factors(codes)))
    peer, peer_peak, sds = with_lme4(
        f"n <- {n}; d <- data.frame(y = d[1:n], a = factor(d[n + 1:n]), b = factor(d[2 * n + 1:n]),"
        " c = factor(d[3 * n + 1:n]))\n"
        "t <- system.time(f <- lmer(y ~ 1 + (1|a) + (1|b) + (1|c), d))",
        tmp_path,
    )
    print(f"\nribbons: {seconds:.2f} s, {peak:.0f} MB; lmer {peer:.1f} s, {peer_peak:.0f} MB")
    assert sorted([*fit.sd, fit.residual_sd]) == pytest.approx(sorted(sds), rel=1e-3)
    cells = Counts(passed, ~passed)
    _, seconds, peak = timed(lambda: fit_laplace(cells, np.ones((n, 1)), factors(codes)))
    print(f"ribbons, pass and fail: {seconds:.2f} s, {peak:.0f} MB")


def test_pass_fail_1_000_000_rows(tmp_path):
    """20 technicians x 10 splicers x 10 cleavers, 3 types; both get rows; seed 2."""
    rng, n = np.random.default_rng(2), 1_000_000
    sizes = (20, 10, 10)
    codes = [rng.integers(0, size, n) for size in sizes]
    kind = rng.integers(0, 3, n)
    eta = 3.0 - 0.3 * kind
    for code, size, sd in zip(codes, sizes, (0.4, 0.3, 0.3), strict=True):
        eta += sd * rng.standard_normal(size)[code]
    passed = rng.random(n) < 1 / (1 + np.exp(-eta))
    np.concatenate([passed, kind, *codes]).astype(float).tofile(tmp_path / "d.bin")

    def ours():
        cell = kind
        for code, size in zip(codes, sizes, strict=True):
            cell = cell * size + code
        total = np.bincount(cell, minlength=6000)
        good = np.bincount(cell, passed, minlength=6000)
        grid = np.indices((3, *sizes)).reshape(4, -1)
        x = np.column_stack([np.ones(6000), grid[0] == 1, grid[0] == 2]).astype(float)
        labels = dict(zip("abc", grid[1:], strict=True))
        return fit_laplace(Counts(good, total - good), x, factors(labels))

    fit, seconds, peak = timed(ours)
    peer, peer_peak, sds = with_lme4(
        f"n <- {n}; d <- data.frame(y = d[1:n], k = factor(d[n + 1:n]), a = factor(d[2 * n + 1:n]),"
        " b = factor(d[3 * n + 1:n]), c = factor(d[4 * n + 1:n]))\n"
        "t <- system.time({g <- aggregate(cbind(y, m = 1) ~ k + a + b + c, d, sum);"
        " f <- glmer(cbind(y, m - y) ~ k + (1|a) + (1|b) + (1|c), g, family = binomial)})",
        tmp_path,
    )
    print(f"\npass/fail: {seconds:.2f} s, {peak:.0f} MB; glmer {peer:.1f} s, {peer_peak:.0f} MB")
    print("ours", fit.sd, "theirs", sds)
    assert sorted(fit.sd) == pytest.approx(sorted(sds), rel=0.01)


def test_a_crew_of_six_over_a_year_with_spreads_integrated():
    """15,600 positions, 6 people, 4 splicers, 4 cleavers, 3 heaters, 110 jobs; seed 3."""
    rng, n = np.random.default_rng(3), 15_600
    labels = {"crew": np.zeros(n, int)}
    eta = np.full(n, 3.0)
    sizes = {"technician": 6, "splicer": 4, "cleaver": 4, "heater": 3}
    for name, size in sizes.items():
        labels[name] = rng.integers(0, size, n)
        eta += 0.25 * rng.standard_normal(size)[labels[name]]
    labels["job"] = np.sort(rng.integers(0, 110, n))
    eta += 0.3 * rng.standard_normal(110)[labels["job"]]
    frame = pd.DataFrame(labels).assign(passed=rng.random(n) < 1 / (1 + np.exp(-eta)))

    def ours():
        cells = frame.groupby(list(labels))["passed"].agg(["sum", "size"]).reset_index()
        return integrate(
            Counts(cells["sum"], cells["size"] - cells["sum"]),
            factors({name: cells[name] for name in labels}),
            prior=dict.fromkeys([*sizes, "job"], 0.5),
            held={"crew": 2.0},
            centre=3.0,
        )

    found, seconds, peak = timed(ours)
    print(f"\nintegrated: {seconds:.2f} s, {peak:.0f} MB, nodes {len(found.nodes)}")
    assert found.efficiency > 0.1
