#!/usr/bin/env bash
# One rack from its job to its report, on a simulated bench. All names and masses are invented.
#
#     bash tests/whole_job.sh [FOLDER]        # a new folder; whole-job without
#
# job → checklist → calibration → blank run → bench tests → soak → report → export → import elsewhere
set -euo pipefail
soakmon="${SOAKMON:-soakmon}"
here="${1:-whole-job}"
hours="${HOURS:-24}"
interval_s="${INTERVAL_S:-5}"
mkdir "$here"
export SOAKMON_DATA="$here/data"

# The job, and what was found and renewed.
job=$("$soakmon" job new --customer "Jürgen Müller-Lüdenscheidt (invented)" --carbs 4 \
    --machine "four-cylinder 750 (invented)" --rack "four carburettors on a rubber rail")
"$soakmon" job carb "$job" 4 jet.main=105 jet.pilot=35 mixture_turns=2.25 mixture_turns_book=2 \
    float_height_mm=21.5 float_height_low_mm=21 float_height_high_mm=23 float_shaken_dry=yes \
    needle_seat_renewed=yes bowl_gasket_renewed=no drain_oring_renewed=yes overflow_lip=good \
    accelerator_pump=renewed air_cutoff=none >/dev/null
"$soakmon" job note "$job" "bowl gasket fought back during assembly (invented)" --carb 4 \
    --by "A. Erfunden"
"$soakmon" job check "$job" 1 2 3 4 5 6 7 8 9 10 --by "A. Erfunden" >/dev/null

# The load cell with invented masses, counts as a cell of 0.0005 g per count would give them.
printf '%s\n' 2000 "" 0.005 100 500 1000110 1000 2000090 2000 4000100 "" 2000120 1000105 100 \
    0 4000100 20 4000250 30 4000280 "" 0.02 "" | "$soakmon" bench calibrate 2>/dev/null
printf '%s\n' 2000 500 0.005 0.01 500.03 | "$soakmon" bench daily 2>/dev/null

# The bench: what its owner knows of the hose. Then bottle and hose alone over 24 hours, weighed at
# both ends on a balance that is tared each time.
printf '%s\n' '[hose]' 'permeation_g_per_m2_day = 122.0' '' >"$here/bench.toml"
printf '%s\n' 0 450.02 450.00 "" 449.20 449.21 "" 24 20 |
    "$soakmon" bench blank --bench "$here/bench.toml" 2>/dev/null | tee "$here/blank.txt"
sed -n '/^\[priors\]/,$p' "$here/blank.txt" >>"$here/bench.toml"

# Bowls, pumps and floats; a test that is not within its limits ends with 1.
printf '%s\n' 20 50 80.00 50 80.05 50 79.96 50 80.01 |
    "$soakmon" bench drain --job "$job" 2>/dev/null
printf '%s\n' 20 20 10 14.80 "" 10 14.82 "" 10 14.75 "" 10 14.79 "" |
    "$soakmon" bench shots --job "$job" 2>/dev/null
printf '%s\n' 12.00 "" 12.01 "" 12.1 "" 12.11 "" 11.98 "" 11.98 "" 12.05 "" 12.06 "" |
    "$soakmon" bench float --job "$job" 2>/dev/null

# The soak: a night in which a bowl gasket begins to weep. Exit code 1: leaking.
"$soakmon" rehearse gasket-weep --hours "$hours" --interval-s "$interval_s" --job "$job" \
    --bench "$here/bench.toml" --report "$here/report" || [ $? -eq 1 ]
"$soakmon" bench isolation --job "$job" >/dev/null 2>&1 <<<$'30\n0\n0\n0\n4\n30\n0\n0\n0\n4\n26' ||
    [ $? -eq 1 ]
printf 'invented paper\n' >"$here/order.txt"
"$soakmon" job attach "$job" "$here/order.txt" --caption "order of parts (invented)"

# Out, and in elsewhere.
"$soakmon" job export "$job" "$here/$job.zip"
"$soakmon" job export "$job" "$here/exported"
"$soakmon" job import "$here/$job.zip" --data "$here/elsewhere"
"$soakmon" job show "$job" --data "$here/elsewhere" | tee "$here/elsewhere.txt"
"$soakmon" backup "$here/backup.tar.gz"
