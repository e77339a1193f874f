//! Prepare, show, confirm: the one way in which anything comes into force that changes what the water gets.
//!
//! A *wish* is what somebody wants; a *proposal* is what it comes to by what is in force, with every number; a confirmation names the
//! proposal by a token that nobody can guess and says again what was shown. It is good once, for a minute, in this run of the daemon, and
//! only while the same wish still comes to the same numbers.
//!
//! To add a wish: a variant of [`Wish`] and one of [`Figures`] in `wish.rs`, a function that works it out, a function that puts it into force, and their
//! two lines here.

use super::effect::{Answer, Denial, Ticket};
use super::event::Now;
use super::state::Engine;
use super::wish::{Confirm, Figures, Pending, Proposal, Seen, Token, VALID, Wish, Worked};
use crate::quantity::Name;
use crate::record::Who;

/// What to do after any confirmation that came to nothing.
const AGAIN: &str = "ask again and look at what it says";

impl Proposal {
    /// Whether what is confirmed is what was shown.
    fn check(&self, confirm: &Confirm) -> Result<(), Denial> {
        let other = |text: String| Denial::new("not-as-shown", text);
        if confirm.shown.as_ref().is_some_and(|f| *f != self.figures) {
            return Err(other(format!(
                "what is confirmed is not what was shown: {}; {AGAIN}",
                self.text.join("; ")
            )));
        }
        let (repeated, volume) = (confirm.repeated_volume, self.figures.volume());
        if let Some(why) = self.ask_twice.as_ref().filter(|_| repeated != volume) {
            let volume = volume.unwrap_or_default();
            return Err(Denial::new(
                "volume-not-repeated",
                format!("{volume} is {why}; repeat the volume to confirm that you mean it"),
            ));
        }
        if let Some(repeated) = repeated.filter(|_| repeated != volume) {
            let shown = volume.map_or("no volume".to_owned(), |v| v.to_string());
            return Err(other(format!(
                "{repeated} is confirmed, and {shown} was shown; {AGAIN}"
            )));
        }
        if confirm.shown.is_none() && repeated.is_none() {
            return Err(other(format!(
                "a confirmation says what was shown: the figures of the proposal, or the volume of a dose; {AGAIN}"
            )));
        }
        Ok(())
    }
}

impl Engine {
    /// Works a wish out by what is in force; changes nothing.
    fn work_out(&self, wish: &Wish, seen: Option<&Seen>, now: Now) -> Result<Worked, Denial> {
        match wish {
            Wish::Dose { line, volume, kind } => self.work_out_dose(line, (*volume, *kind), now),
            Wish::Run {
                head,
                run_time,
                kind,
            } => self.work_out_run(head, (*run_time, *kind), now),
            Wish::Course(new) => self.work_out_course(new, now),
            Wish::Uptake(new) => self.work_out_uptake(new, now),
            Wish::Advice { of } => self.work_out_advice(of, seen, now),
            Wish::Corridor { of, share, days } => self.work_out_corridor(of, (*share, *days), now),
            Wish::CorridorBack { of } => self.work_out_corridor_back(of),
            Wish::Refill(new) => self.work_out_refill(new),
        }
    }

    fn put_into_force(
        &mut self,
        (wish, figures): (Wish, Figures),
        (ticket, who): (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        match (wish, figures) {
            (Wish::Course(new), Figures::Course(course)) => {
                self.begin_course(new, course, (ticket, who), now);
            }
            (Wish::Uptake(new), Figures::Uptake(shown)) => {
                self.take_uptake(new.how, shown, (ticket, who), now);
            }
            (Wish::Advice { .. }, Figures::Advice(shown)) => {
                self.take_advice(*shown, (ticket, who), now);
            }
            (Wish::Corridor { .. }, Figures::Corridor(shown)) => {
                self.grant_corridor(shown, (ticket, who), now);
            }
            (Wish::CorridorBack { .. }, Figures::Uptake(shown)) => {
                self.take_corridor_back(shown, (ticket, who), now);
            }
            (Wish::Refill(new), Figures::Refill(shown)) => {
                self.take_refill(new, shown, (ticket, who), now);
            }
            (wish, Figures::Dose(dose)) => {
                return self.begin_by_hand(&wish, &dose, (ticket, who), now);
            }
            (wish, _) => {
                return Err(Denial::new(
                    "unknown-wish",
                    format!("{wish:?} is not what was worked out; {AGAIN}"),
                ));
            }
        }
        Ok(())
    }

    pub(super) fn prepare(
        &mut self,
        wish: Wish,
        nonce: Option<u128>,
        now: Now,
    ) -> Result<Answer, Denial> {
        let Worked {
            figures,
            text,
            ask_twice,
            quiet,
            seen,
        } = self.work_out(&wish, None, now)?;
        let token = nonce.map(Token::new).ok_or_else(|| {
            Denial::new(
                "no-random",
                "the system gives no random numbers, so nothing can be confirmed safely; ask again in a minute",
            )
        })?;
        let proposal = Proposal {
            token,
            valid: VALID,
            wish,
            figures,
            text,
            ask_twice,
        };
        let quiet = quiet.map(|line| {
            let generation = self.generation(&line);
            (line, generation)
        });
        self.pending = Some(Box::new(Pending {
            proposal: proposal.clone(),
            quiet,
            seen,
            expires: now.elapsed.plus(self.waits.proposal_valid),
        }));
        Ok(Answer::Proposal(Box::new(proposal)))
    }

    pub(super) fn confirm(
        &mut self,
        confirm: &Confirm,
        asked: (Ticket, Who),
        now: Now,
    ) -> Result<(), Denial> {
        // Taken out first: a token is good for one try, also for one that is denied.
        let pending = self
            .pending
            .take()
            .filter(|p| p.proposal.token == confirm.token);
        let Some(pending) = pending else {
            return Err(Denial::new(
                "token-unknown",
                format!("this confirmation was used already or never given; {AGAIN}"),
            ));
        };
        if pending.expires < now.elapsed {
            return Err(Denial::new(
                "token-expired",
                format!("this confirmation came later than {VALID}; {AGAIN}"),
            ));
        }
        if let Some((line, generation)) = &pending.quiet
            && self.generation(line) != *generation
        {
            return Err(Denial::new(
                "token-stale",
                format!("something changed on line {line} in between; {AGAIN}"),
            ));
        }
        let proposal = pending.proposal;
        proposal.check(confirm)?;
        if self
            .work_out(&proposal.wish, pending.seen.as_ref(), now)?
            .figures
            != proposal.figures
        {
            return Err(Denial::new(
                "token-stale",
                format!("something changed in between, and the numbers with it; {AGAIN}"),
            ));
        }
        self.put_into_force((proposal.wish, proposal.figures), asked, now)
    }

    fn generation(&self, line: &Name) -> u64 {
        self.lines.get(line).map_or(0, |l| l.generation)
    }
}
