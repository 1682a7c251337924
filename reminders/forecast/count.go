package forecast

// Count is the distribution of how many patients come on a day.
type Count struct {
	// Mean is how many are expected.
	Mean float64
	// Certain are those of them of whom nothing is in doubt.
	Certain int
	// Low, Middle and High: no more than so many come with a probability of at
	// least 5, 50 and 95 %.
	Low, Middle, High int
	// Limit is for how many there is room; 0 for no limit.
	Limit int
	// Overflow is the chance that more come than there is room for, 0 without a
	// limit.
	Overflow float64
}

// negligible is the probability below which the ends of a distribution are dropped.
const negligible = 1e-30

// Distribution is the distribution of the number of successes of independent trials
// with the chances ps, each from 0 to 1: element k is the probability of k.
func Distribution(ps []float64) []float64 {
	certain, f := 0, make([]float64, len(ps)+1)
	f[0] = 1
	low, high := 0, 0 // outside of them f is 0
	for _, p := range ps {
		switch {
		case p <= 0:
			continue
		case p >= 1:
			certain++
			continue
		}
		high++
		for k := high; k > low; k-- {
			f[k] = f[k]*(1-p) + f[k-1]*p
		}
		f[low] *= 1 - p
		for ; high > low && f[high] < negligible; high-- {
			f[high] = 0
		}
		for ; high > low && f[low] < negligible; low++ {
			f[low] = 0
		}
	}
	return append(make([]float64, certain), f[:len(ps)+1-certain]...)
}

// CountOf adds up the chances of all patients of one day against its limit, 0 for
// none.
func CountOf(ps []float64, limit int) Count {
	c := Count{Limit: limit}
	for _, p := range ps {
		c.Mean += p
		if p >= 1 {
			c.Certain++
		}
	}
	f := Distribution(ps)
	c.Low, c.Middle, c.High = quantile(f, 0.05), quantile(f, 0.5), quantile(f, 0.95)
	if limit > 0 {
		// From the far end, the smallest terms first.
		for k := len(f) - 1; k > limit; k-- {
			c.Overflow += f[k]
		}
		c.Overflow = min(1, c.Overflow)
	}
	return c
}

// quantile is the smallest k with a probability of at least q of no more than k.
func quantile(f []float64, q float64) int {
	sum := 0.0
	for k, p := range f {
		// A rounding must not put a tie off by one.
		if sum += p; sum >= q-1e-12 {
			return k
		}
	}
	return len(f) - 1
}
