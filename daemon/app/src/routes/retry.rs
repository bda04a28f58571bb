//! When a delivery that failed is tried again. Pure.

use std::time::Duration;

/// The waits between the attempts of one delivery, or of one destination that is down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Retry {
    /// About so long after the first failure; each further wait is twice the one before.
    pub first: Duration,
    /// No wait is longer.
    pub longest: Duration,
    /// Sum of its waits after which a delivery that the receiver keeps putting off is given up;
    /// `None`: never.
    pub give_up: Option<Duration>,
}

impl Retry {
    /// The wait after so many failures in a row (1: the first). `dice`, from 0 to below 1, shortens
    /// it by up to half, so that what failed together does not come again together. It is not shorter
    /// than what the receiver asks for, unless that is longer than the longest.
    #[must_use]
    pub fn wait(&self, failures: u32, dice: f64, not_before: Option<Duration>) -> Duration {
        // Beyond 2^31 every wait is the longest anyway.
        let doublings = failures.saturating_sub(1).min(31);
        let whole = self.first.saturating_mul(1 << doublings).min(self.longest);
        let wait = whole.mul_f64(1.0 - dice.clamp(0.0, 1.0) / 2.0);
        wait.max(not_before.unwrap_or_default().min(self.longest))
    }

    /// Whether a delivery that has waited so long in all is given up.
    #[must_use]
    pub fn is_over(&self, waited: Duration) -> bool {
        self.give_up.is_some_and(|most| waited >= most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const RETRY: Retry = Retry {
        first: Duration::from_secs(5),
        longest: Duration::from_secs(600),
        give_up: Some(Duration::from_secs(7 * 86_400)),
    };

    #[test]
    fn waits_double_up_to_the_longest() {
        let waits: Vec<u64> = (1..=9)
            .map(|n| RETRY.wait(n, 0.0, None).as_secs())
            .collect();
        assert_eq!(waits, [5, 10, 20, 40, 80, 160, 320, 600, 600]);
        assert_eq!(RETRY.wait(0, 0.0, None).as_secs(), 5);
        assert_eq!(RETRY.wait(u32::MAX, 0.0, None).as_secs(), 600);
        assert_eq!(RETRY.wait(1, 0.5, None), Duration::from_millis(3750));
    }

    #[test]
    fn a_receiver_that_asks_for_time_has_it() {
        let asked = |seconds| {
            RETRY
                .wait(2, 0.0, Some(Duration::from_secs(seconds)))
                .as_secs()
        };
        assert_eq!([asked(3), asked(120), asked(86_400)], [10, 120, 600]);
    }

    #[test]
    fn a_delivery_is_given_up_by_the_sum_of_its_waits() {
        let day = Duration::from_secs(86_400);
        assert!(!RETRY.is_over(day * 7 - Duration::from_nanos(1)));
        assert!(RETRY.is_over(day * 7));
        let never = Retry {
            give_up: None,
            ..RETRY
        };
        assert!(!never.is_over(Duration::MAX));
    }

    proptest! {
        #[test]
        fn every_wait_keeps_its_bounds(failures: u32, dice in 0.0..1.0_f64, asked: Option<u64>) {
            let wait = RETRY.wait(failures, dice, asked.map(Duration::from_secs));
            prop_assert!(wait > RETRY.first / 2 - Duration::from_nanos(1));
            prop_assert!(wait <= RETRY.longest);
        }
    }
}
