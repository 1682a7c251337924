package forecast

import (
	"math"
	"math/big"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

func near(t interface{ Errorf(string, ...any) }, what string, got, want, within float64) {
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s: got %.15g, want %.15g", what, got, want)
	}
}

// TestAgainstEveryOutcome compares with the sum over all outcomes of small clinics.
func TestAgainstEveryOutcome(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		ps := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(0, 1), rapid.SampledFrom([]float64{0, 1})), 0, 10).Draw(t, "ps")
		limit := rapid.IntRange(1, 6).Draw(t, "limit")
		want, over := make([]float64, len(ps)+1), 0.0
		for outcome := range 1 << len(ps) {
			p, come := 1.0, 0
			for i, chance := range ps {
				if outcome>>i&1 == 1 {
					p, come = p*chance, come+1
				} else {
					p *= 1 - chance
				}
			}
			want[come] += p
			if come > limit {
				over += p
			}
		}
		got := Distribution(ps)
		for k, w := range want {
			g := 0.0
			if k < len(got) {
				g = got[k]
			}
			near(t, "share", g, w, 1e-12)
		}
		near(t, "overflow", CountOf(ps, limit).Overflow, over, 1e-12)
	})
}

// TestAgainstBinomial: equal chances give the binomial distribution, here with the
// exact integers and rationals of math/big.
func TestAgainstBinomial(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		n        int
		num, den int64
	}{{1, 1, 2}, {30, 1, 10}, {200, 1, 28}, {1000, 3, 100}} {
		p := big.NewRat(c.num, c.den)
		p64, _ := p.Float64()
		f := Distribution(slices.Repeat([]float64{p64}, c.n))
		for k := 0; k <= c.n; k += 1 + c.n/40 {
			want := new(big.Rat).SetInt(new(big.Int).Binomial(int64(c.n), int64(k)))
			want.Mul(want, power(p, k)).Mul(want, power(new(big.Rat).Sub(big.NewRat(1, 1), p), c.n-k))
			w, _ := want.Float64()
			// Relative, as the package says: about two roundings a patient.
			near(t, "share", f[k], w, 1e-26+float64(c.n)*1e-15*w)
		}
	}
}

func power(r *big.Rat, n int) *big.Rat {
	e := big.NewInt(int64(n))
	return new(big.Rat).SetFrac(new(big.Int).Exp(r.Num(), e, nil), new(big.Int).Exp(r.Denom(), e, nil))
}

// TestAgainstClosedForm compares with the discrete Fourier transform of the generating
// function (Fernández & Williams 2010, IEEE Trans Aerosp Electron Syst 46:803, and
// Hong 2013, Comput Stat Data Anal 59:41; from memory), and with mean and variance.
func TestAgainstClosedForm(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 2))
	ps := make([]float64, 60)
	for i := range ps {
		ps[i] = r.Float64()
	}
	f, n := Distribution(ps), len(ps)
	mean, variance, sum := 0.0, 0.0, 0.0
	for _, p := range ps {
		mean, variance = mean+p, variance+p*(1-p)
	}
	gotMean, second := 0.0, 0.0
	for k, got := range f {
		var want complex128
		for l := range n + 1 {
			z := complex128(1)
			for _, p := range ps {
				z *= 1 + (cmplx.Exp(complex(0, 2*math.Pi*float64(l)/float64(n+1)))-1)*complex(p, 0)
			}
			want += z * cmplx.Exp(complex(0, -2*math.Pi*float64(l*k)/float64(n+1)))
		}
		near(t, "share", got, real(want)/float64(n+1), 1e-12)
		sum, gotMean, second = sum+got, gotMean+float64(k)*got, second+float64(k*k)*got
	}
	near(t, "sum", sum, 1, 1e-12)
	near(t, "mean", gotMean, mean, 1e-10)
	near(t, "variance", second-gotMean*gotMean, variance, 1e-8)
}

func TestQuantiles(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name string
		ps   []float64
		want Count
	}{
		{"nobody", nil, Count{Limit: 4}},
		{"certain", slices.Repeat([]float64{1}, 5), Count{Mean: 5, Certain: 5, Low: 5, Middle: 5, High: 5, Limit: 4, Overflow: 1}},
		{"as many as there is room for", slices.Repeat([]float64{1}, 4), Count{Mean: 4, Certain: 4, Low: 4, Middle: 4, High: 4, Limit: 4}},
		{"a coin", []float64{0.5}, Count{Mean: 0.5, Low: 0, Middle: 0, High: 1, Limit: 4}},
		{"ten coins", slices.Repeat([]float64{0.5}, 10), Count{Mean: 5, Low: 2, Middle: 5, High: 8, Limit: 4, Overflow: 638.0 / 1024}},
	} {
		if got := CountOf(c.ps, 4); got != c.want {
			t.Errorf("%s: got %+v, want %+v", c.name, got, c.want)
		}
	}
}
