//! Cutting curves at the frame: a point outside is never moved onto its edge, where it would show a false flat line.

use super::axis::Axis;

/// The parts of the polyline through `points` that lie inside both axes, with its crossings of the edges computed in
/// the axes' own scales (Liang and Barsky 1984). A point that is not finite interrupts the line.
pub(super) fn inside(points: &[(f64, f64)], x: &Axis, y: &Axis) -> Vec<Vec<(f64, f64)>> {
    let mut parts: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut open = false;
    for pair in points.windows(2) {
        let at = |p: (f64, f64)| (x.position(p.0), y.position(p.1));
        let (a, b) = (at(pair[0]), at(pair[1]));
        let Some((enter, leave)) = span_inside(a, b) else {
            open = false;
            continue;
        };
        let point = |t: f64| {
            let (px, py) = (a.0 + t * (b.0 - a.0), a.1 + t * (b.1 - a.1));
            (x.value_at(px), y.value_at(py))
        };
        if !open || enter > 0.0 {
            parts.push(vec![point(enter)]);
        }
        if let Some(last) = parts.last_mut() {
            last.push(point(leave));
        }
        open = leave >= 1.0;
    }
    parts
}

/// Whether a point is inside both axes.
pub(super) fn holds(point: (f64, f64), x: &Axis, y: &Axis) -> bool {
    let inside = |position: f64| (-1e-9..=1.0 + 1e-9).contains(&position);
    inside(x.position(point.0)) && inside(y.position(point.1))
}

/// The part of the segment from `a` to `b` inside the unit square, as parameters 0…1.
fn span_inside(a: (f64, f64), b: (f64, f64)) -> Option<(f64, f64)> {
    if ![a.0, a.1, b.0, b.1].iter().all(|v| v.is_finite()) {
        return None;
    }
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let (mut enter, mut leave) = (0.0f64, 1.0f64);
    for (p, q) in [(-dx, a.0), (dx, 1.0 - a.0), (-dy, a.1), (dy, 1.0 - a.1)] {
        if p.abs() < 1e-15 {
            // Parallel to this edge. A hair outside is rounding of a point on the edge.
            if q < -1e-9 {
                return None;
            }
        } else if p < 0.0 {
            enter = enter.max(q / p);
        } else {
            leave = leave.min(q / p);
        }
    }
    (enter <= leave).then_some((enter, leave))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_ends_at_the_edge_where_it_crosses_it() {
        let axis = Axis::linear(0.0, 10.0);
        let parts = inside(&[(0.0, 5.0), (5.0, 15.0), (10.0, 5.0)], &axis, &axis);
        assert_eq!(parts.len(), 2);
        // y = 5 + 2x reaches 10 at x = 2.5; the way back is symmetric.
        assert!((parts[0][1].0 - 2.5).abs() < 1e-12 && (parts[0][1].1 - 10.0).abs() < 1e-12);
        assert!((parts[1][0].0 - 7.5).abs() < 1e-12);
    }

    #[test]
    fn what_is_outside_or_not_a_number_leaves_nothing() {
        let axis = Axis::linear(0.0, 10.0);
        assert!(inside(&[(0.0, 11.0), (10.0, 12.0)], &axis, &axis).is_empty());
        let broken = [(0.0, 1.0), (1.0, f64::NAN), (2.0, 1.0), (3.0, 1.0)];
        assert_eq!(inside(&broken, &axis, &axis).len(), 1);
        let log = Axis::logarithmic(1.0, 10.0);
        assert!(inside(&[(0.0, 1.0), (-1.0, 2.0)], &log, &axis).is_empty());
    }
}
