//! Double-double arithmetic: a number as an unevaluated sum of two `f64`, about 32 decimal digits.
//!
//! A long sweep runs through tens of millions of cycles, and its phase is wanted to 10⁻¹² of one: 20 digits, more than
//! an `f64` holds. Error-free sum and product are Knuth's and Dekker's (with a fused multiply–add); T. J. Dekker,
//! "A floating-point technique for extending the available precision", Numer. Math. 18 (1971).

use std::f64::consts::LN_2;

/// What ln 2 is more than its `f64` (computed to 60 digits).
const LN_2_LOW: f64 = 2.319_046_813_846_299_6e-17;

/// `high + low`, |low| at most half a unit in the last place of `high`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct DoubleDouble {
    /// Leading part.
    pub(super) high: f64,
    /// What is left.
    pub(super) low: f64,
}

impl DoubleDouble {
    /// An exact `f64`.
    pub(super) const fn from(value: f64) -> Self {
        Self {
            high: value,
            low: 0.0,
        }
    }

    /// The exact sum of two numbers of which the first is the larger.
    fn renormalised(high: f64, low: f64) -> Self {
        let sum = high + low;
        Self {
            high: sum,
            low: low - (sum - high),
        }
    }

    /// The exact product of two `f64`.
    pub(super) fn product(a: f64, b: f64) -> Self {
        let high = a * b;
        Self {
            high,
            low: a.mul_add(b, -high),
        }
    }

    /// The quotient of two `f64`, to about 106 bits.
    pub(super) fn quotient(a: f64, b: f64) -> Self {
        let high = a / b;
        // The remainder of a correctly rounded quotient is exact.
        Self {
            high,
            low: high.mul_add(-b, a) / b,
        }
    }

    pub(super) fn plus(self, other: Self) -> Self {
        let high = self.high + other.high;
        let other_part = high - self.high;
        let error = (self.high - (high - other_part)) + (other.high - other_part);
        Self::renormalised(high, error + self.low + other.low)
    }

    pub(super) fn times(self, other: Self) -> Self {
        let p = Self::product(self.high, other.high);
        Self::renormalised(p.high, p.low + (self.high * other.low + self.low * other.high))
    }

    /// 1 over this number.
    pub(super) fn inverse(self) -> Self {
        // One Newton step doubles the digits of the `f64` reciprocal.
        let first = Self::from(1.0 / self.high);
        let defect = Self::from(1.0).plus(self.times(first).scaled(-1.0));
        first.plus(first.times(defect))
    }

    /// Multiplied by a power of two, or by any factor where the result is exact.
    fn scaled(self, factor: f64) -> Self {
        Self {
            high: self.high * factor,
            low: self.low * factor,
        }
    }

    /// e to this power, for |exponent| < 700; relative error below 10⁻²⁹.
    pub(super) fn exp(self) -> Self {
        const HALVINGS: i32 = 8;
        const TERMS: i32 = 12;
        let twos = (self.high / LN_2).round();
        let ln_2 = Self {
            high: LN_2,
            low: LN_2_LOW,
        };
        // |rest| ≤ ln 2 / 2 / 2⁸ = 0.00136; its 13th power over 13! is 10⁻⁴⁷.
        let rest = self
            .plus(ln_2.times(Self::from(-twos)))
            .scaled(f64::from(-HALVINGS).exp2());
        // Horner on (eˣ − 1)/x, kept as eˣ − 1 while squaring so that no digit is lost beside the 1.
        let mut sum = Self::from(1.0);
        for k in (2..=TERMS).rev() {
            let share = rest.times(Self::quotient(1.0, f64::from(k)));
            sum = Self::from(1.0).plus(sum.times(share));
        }
        let mut less_one = sum.times(rest);
        for _ in 0..HALVINGS {
            // e²ˣ − 1 = (eˣ − 1)² + 2 (eˣ − 1).
            less_one = less_one.times(less_one).plus(less_one.scaled(2.0));
        }
        Self::from(1.0).plus(less_one).scaled(twos.exp2())
    }

    /// Natural logarithm of a positive number; relative error below 10⁻²⁸ where the result is above 10⁻³.
    pub(super) fn ln(self) -> Self {
        // One Newton step on eʸ = x doubles the digits of the `f64` logarithm.
        let first = Self::from(self.high.ln());
        let ratio = self.times(Self::from(-first.high).exp());
        first.plus(ratio.plus(Self::from(-1.0)))
    }

    /// This number modulo 1, in −½…½.
    pub(super) fn fraction(self) -> f64 {
        let first = (self.high - self.high.round()) + (self.low - self.low.round());
        first - first.round()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Whether `x` agrees with the decimal digits `high + low` to `relative`.
    fn agrees(x: DoubleDouble, high: f64, low: f64, relative: f64) -> bool {
        let difference = (x.high - high) + (x.low - low);
        (difference / high).abs() < relative
    }

    #[test]
    fn published_constants_come_out_to_28_digits() {
        // e (OEIS A001113) and ln 10 (A002392), split into two f64 with 60-digit decimal arithmetic.
        let e = DoubleDouble::from(1.0).exp();
        assert!(agrees(e, std::f64::consts::E, E_LOW, 1e-29), "{e:?}");
        let ln_10 = DoubleDouble::from(10.0).ln();
        assert!(
            agrees(ln_10, std::f64::consts::LN_10, LN_10_LOW, 1e-28),
            "{ln_10:?}"
        );
        let back = DoubleDouble::from(2200.0).ln().exp();
        assert!(agrees(back, 2200.0, 0.0, 1e-28), "{back:?}");
    }

    const E_LOW: f64 = 1.4456468917292502e-16;
    const LN_10_LOW: f64 = -2.1707562233822494e-16;

    #[test]
    fn an_inverse_undoes_its_number() {
        for x in [3.0, 0.1, 7.7e9] {
            let one = DoubleDouble::from(x).inverse().times(DoubleDouble::from(x));
            assert!(agrees(one, 1.0, 0.0, 1e-30), "{one:?}");
        }
    }

    #[test]
    fn a_fraction_lies_within_half_a_cycle() {
        let x = DoubleDouble::product(12_345_678.9, 98_765.432_1);
        assert!(x.fraction().abs() <= 0.5);
        assert!(
            (DoubleDouble {
                high: 7.0,
                low: 1e-20
            }
            .fraction()
                - 1e-20)
                .abs()
                < 1e-30
        );
        assert!((DoubleDouble::from(3.75).fraction() + 0.25).abs() < 1e-15);
    }
}
