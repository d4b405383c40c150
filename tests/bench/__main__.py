"""All benchmarks in one run: `make bench`."""

from tests.bench import chaining_bench, posterior_bench, triage_bench

posterior_bench.run()
chaining_bench.run()
triage_bench.run()
