"""The benchmark: whole analyses of clips whose truth is known, beside a baseline, as a table and build/bench.json."""
