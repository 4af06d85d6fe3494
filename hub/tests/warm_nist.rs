//! The first-order fit against NIST StRD certified values (`data/reference/nist/SOURCES.md`), from both starting points.
use spinover::figures::warm::{FirstOrderFit, FitError, first_order_fit};

struct Certified {
    name: &'static str,
    csv: &'static str,
    starts: [(f64, f64); 2],
    b: [f64; 2],
    sd: [f64; 2],
    rss: f64,
    residual_sd: f64,
    dof: usize,
}

const MISRA1A: Certified = Certified {
    name: "Misra1a",
    csv: include_str!("data/reference/nist/misra1a.csv"),
    starts: [(500.0, 0.0001), (250.0, 0.0005)],
    b: [2.3894212918E+02, 5.5015643181E-04],
    sd: [2.7070075241E+00, 7.2668688436E-06],
    rss: 1.2455138894E-01,
    residual_sd: 1.0187876330E-01,
    dof: 12,
};

const BOXBOD: Certified = Certified {
    name: "BoxBOD",
    csv: include_str!("data/reference/nist/boxbod.csv"),
    starts: [(1.0, 1.0), (100.0, 0.75)],
    b: [2.1380940889E+02, 5.4723748542E-01],
    sd: [1.2354515176E+01, 1.0455993237E-01],
    rss: 1.1680088766E+03,
    residual_sd: 1.7088072423E+01,
    dof: 4,
};

fn points(csv: &str) -> (Vec<f64>, Vec<f64>) {
    csv.lines()
        .skip(1)
        .map(|line| {
            let (x, y) = line.split_once(',').expect("x,y");
            (x.parse::<f64>().expect("x"), y.parse::<f64>().expect("y"))
        })
        .unzip()
}

/// Digits that agree: the log relative error that NIST uses.
fn digits(got: f64, certified: f64) -> f64 {
    -((got - certified).abs() / certified.abs())
        .max(1e-16)
        .log10()
}

fn check(set: &Certified) {
    let (x, y) = points(set.csv);
    for start in set.starts {
        let fit: FirstOrderFit = first_order_fit(&x, &y, start)
            .unwrap_or_else(|e| panic!("{} from {start:?}: {e}", set.name));
        assert_eq!(fit.dof, set.dof);
        let all = [
            ("b1", fit.b1, set.b[0]),
            ("b2", fit.b2, set.b[1]),
            ("sd of b1", fit.sd_b1, set.sd[0]),
            ("sd of b2", fit.sd_b2, set.sd[1]),
            ("rss", fit.rss, set.rss),
            ("residual sd", fit.residual_sd, set.residual_sd),
        ];
        let reached: Vec<String> = all
            .iter()
            .map(|(what, got, certified)| format!("{what} {:.1}", digits(*got, *certified)))
            .collect();
        println!("{} from {start:?}: digits {}", set.name, reached.join(", "));
        for (what, got, certified) in all {
            assert!(
                digits(got, certified) >= 6.0,
                "{} from {start:?}: {what} {got:e}, certified {certified:e}",
                set.name
            );
        }
    }
}

#[test]
fn misra1a_to_six_digits_from_both_starts() {
    check(&MISRA1A);
}

#[test]
fn boxbod_to_six_digits_from_both_starts() {
    check(&BOXBOD);
}

#[test]
fn refuses_what_it_cannot_fit() {
    assert!(matches!(
        first_order_fit(&[1.0, 2.0], &[1.0, 2.0], (1.0, 1.0)),
        Err(FitError::TooFew { .. })
    ));
    assert_eq!(
        first_order_fit(&[1.0, 2.0, f64::NAN], &[1.0, 2.0, 3.0], (1.0, 1.0)),
        Err(FitError::NotFinite)
    );
    // No rise at all: b1 and b2 cannot be told apart.
    let flat = first_order_fit(&[0.0, 0.0, 0.0], &[0.0, 0.0, 0.0], (1.0, 1.0));
    assert!(matches!(flat, Err(FitError::NotConverged(_))), "{flat:?}");
}
