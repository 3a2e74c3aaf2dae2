# Averages the simulator's even steps of 5 us into readings of 200 us; its own figures go first, as comments.
FNR == NR { if ($2 == "=" && $1 ~ /_(prim|rail)$/) print "# " $1 "," $3; next }
FNR == 1 { print "time_s,primary_A,rail_A" }
{
    # A reading begins with half of its first step and ends with half of the next one's, as the trapezoid rule has it.
    weight = (count == 0 || count == 40) ? 0.5 : 1
    primary += weight * $2; rail += weight * $4
    if (count == 40) {
        printf "%.4f,%.5g,%.5g\n", start, primary / 40, rail / 40
        start = $1; primary = 0.5 * $2; rail = 0.5 * $4; count = 0
    }
    count++
}
