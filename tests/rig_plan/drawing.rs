//! The two drawings of the wiring.

use super::{phono, request, requests};
use asleft::report::wiring;
use asleft::rig::planner::{Negative, plan};
use asleft::rig::wiring::Wiring;
use proptest::prelude::*;

proptest! {
    #[test]
    fn drawings_keep_their_labels_apart_and_inside(asked in requests()) {
        if let Ok(planned) = plan(&asked) {
            let drawn = Wiring::of(&planned);
            apart_and_inside(&wiring::svg(&drawn));
            for line in wiring::text(&drawn).lines() {
                prop_assert!(line.chars().count() <= 80, "{}", line);
            }
            prop_assert!(wiring::plan::words(&planned).lines().all(|l| l.chars().count() <= 80));
        }
    }
}

/// A text of a picture: left, right, top, bottom in millimetres, and what it says.
type Label = (f64, f64, f64, f64, String);

fn labels(svg: &str) -> Vec<Label> {
    let attribute = |tag: &str, name: &str| -> String {
        let from = tag.split(&format!("{name}=\"")).nth(1).unwrap();
        from.split('"').next().unwrap().to_owned()
    };
    let mut found = Vec::new();
    for piece in svg.split("<text ").skip(1) {
        let (tag, rest) = piece.split_once('>').unwrap();
        let said = rest.split("</text>").next().unwrap().replace("&gt;", ">");
        let number = |name: &str| attribute(tag, name).parse::<f64>().unwrap();
        let (x, y, size) = (number("x"), number("y"), number("font-size"));
        assert!(size >= 3.0, "{said} is too small to read");
        // The mean width of a letter of the fonts used, 0.55 em; digits and capitals reach 0.75 em.
        let width = 0.55 * size * said.chars().count() as f64;
        let left = match attribute(tag, "text-anchor").as_str() {
            "start" => x,
            "middle" => x - width / 2.0,
            _ => x - width,
        };
        found.push((left, left + width, y - 0.75 * size, y + 0.2 * size, said));
    }
    found
}

fn apart_and_inside(svg: &str) {
    let labels = labels(svg);
    assert!(labels.len() > 20);
    for (i, a) in labels.iter().enumerate() {
        assert!(
            a.0 >= 0.0 && a.1 <= 210.0 && a.2 >= 0.0 && a.3 <= 148.0,
            "{a:?} leaves the sheet"
        );
        for b in &labels[i + 1..] {
            let over = a.0 < b.1 && b.0 < a.1 && a.2 < b.3 && b.2 < a.3;
            assert!(!over, "{a:?} lies on {b:?}");
        }
    }
}

#[test]
fn both_drawings_say_the_same() {
    for negative in [Negative::Grounded, Negative::Driven, Negative::Floating] {
        let mut asked = request(50.0, negative);
        asked.inputs = vec![phono()];
        let planned = plan(&asked).unwrap();
        let drawn = Wiring::of(&planned);
        let (svg, text) = (wiring::svg(&drawn), wiring::text(&drawn));
        // Each value from the plan, in the words of a parts list.
        let top = format!("{} kΩ", planned.attenuator.top.each_ohm / 1e3);
        let clamp = format!("±{} V", planned.failures.clamp_v);
        let level = format!("{:.1} dBFS", planned.rated.dbfs).replace('-', "−");
        for word in [
            &top,
            &clamp,
            &level,
            "20 V",
            "8 Ω",
            "in parallel",
            "shell",
            "typical until calibrated",
        ] {
            assert!(svg.contains(word), "the picture does not say {word}");
            assert!(text.contains(word), "the text does not say {word}:\n{text}");
        }
        // Ground is drawn once; no terminal lies on it where none is ground.
        assert_eq!(svg.matches("signal ground").count(), 1);
        assert_eq!(svg.contains("L −, R −"), negative == Negative::Grounded);
        assert_eq!(svg.contains("out 2"), negative == Negative::Grounded);
    }
}
