//! Courses that a clock ended which was trusted and wrong.

use super::owner::{iodine, settled};
use super::rig::{DAY, MINUTE, SECOND, World, ul};
use crate::engine::{Command, CourseAction, Event, TrustSource};
use crate::record::CourseState;

#[test]
fn a_course_that_a_wrong_date_ended_is_paused_with_what_is_left_of_it_and_goes_on_when_resumed() {
    for restart in [false, true] {
        let mut world = settled();
        iodine(&mut world, 500, 10).unwrap();
        world.run(2 * DAY);
        // Its days are 11 June to 20 June; it is 12 June.
        world.power_cut(4 * MINUTE, 30 * DAY);
        world.feed(Event::ClockKnown(TrustSource::Kernel));
        world.run(10 * MINUTE);
        assert!(world.status().courses.is_empty());
        if restart {
            world.restart_after(SECOND);
        }
        world.sync();
        let ticket = world.ask(Command::ClockWrong {
            from: "2026-07-01T00:00:00Z".parse().unwrap(),
            to: "2026-12-31T00:00:00Z".parse().unwrap(),
        });
        world.run(SECOND);
        let text = world.answer(ticket).clone().unwrap().text();
        assert!(text.contains("a date of then had ended it"), "{text}");
        // As the owner's clocks show them, on either side of the end of summer time.
        let span = "the clock was wrong from 2026-07-01 02:00:00 to 2026-12-31 01:00:00 on record";
        assert!(text.starts_with(span), "{text}");
        assert!(text.contains("`dosewright course resume 1`"), "{text}");
        world.restart_after(SECOND);
        world.sync();
        world.resume(None);
        world.run(DAY);
        let courses = world.status().courses;
        let words = &courses[0].words;
        assert_eq!(courses[0].course.state, CourseState::Paused);
        assert!(words.contains("with 8 days to come"), "{words}");
        assert!(words.contains("`dosewright course resume 1`"), "{words}");
        let planned = |world: &mut World| world.line("iodine").planned;
        assert_eq!(planned(&mut world), ul(2_000), "nothing goes on by itself");
        world.set_course(1, CourseAction::Resume).unwrap();
        world.run(DAY);
        assert_eq!(planned(&mut world), ul(2_500));
        world.run(7 * DAY);
        assert_eq!(planned(&mut world), ul(2_500));
        world.run(DAY);
        assert_eq!(planned(&mut world), ul(2_000), "ended by its true date");
        assert!(world.status().courses.is_empty());
        world.check_caps();
        world.check_books();
    }
}
