//! The robust statistics and the plain ones against certified and independent values.
use spinover::figures::robust::{least_squares, theil_sen};

use crate::support::{Largest, Reference};

fn norris() -> (Vec<f64>, Vec<f64>) {
    let t = Reference::read("norris");
    let column = |name| t.rows.iter().map(|row| t.number(row, name)).collect();
    (column("x"), column("y"))
}

/// NIST StRD, Norris: certified values; at least ten of their digits.
#[test]
fn least_squares_on_nist_norris() {
    let (x, y) = norris();
    assert_eq!(x.len(), 36);
    let line = least_squares(&x, &y).expect("line");
    let mut off = Largest::new("NIST Norris, relative", 1e-10);
    off.relative(line.intercept, -0.262_323_073_774_029);
    off.relative(line.intercept_sd, 0.232_818_234_301_152);
    off.relative(line.slope, 1.002_116_818_020_45);
    off.relative(line.slope_sd, 0.429_796_848_199_937e-3);
    off.relative(line.residual_sd, 0.884_796_396_144_373);
    off.relative(line.r2, 0.999_993_745_883_712);
    off.relative(line.rss, 26.617_398_529_422_4);
    off.check(7);
}

/// Slopes and intercepts of `scipy.stats.theilslopes` (1.17.1).
#[test]
fn theil_sen_as_scipy_has_it() {
    let (nx, ny) = norris();
    let ten: Vec<f64> = (0..10).map(f64::from).collect();
    let odd = vec![1.0, 3.0, 5.0, 7.0, 9.0, 11.0, 13.0, 15.0, 17.0, 100.0];
    let six = vec![1.0, 2.0, 3.0, 4.0, 5.0, 6.0];
    let box_x = vec![1.0, 2.0, 3.0, 5.0, 7.0, 10.0];
    let box_y = vec![109.0, 149.0, 149.0, 191.0, 213.0, 224.0];
    let mut off = Largest::new("Theil-Sen, scipy", 1e-12);
    for (x, y, slope, intercept) in [
        (nx, ny, 1.002_196_836_555_360_4, -0.064_015_817_223_207_7),
        (ten, odd, 2.0, 1.0),
        (six, vec![2.0, 3.0, 5.0, 4.0, 6.0, 8.0], 1.0, 1.0),
        (box_x.clone(), box_y.clone(), 12.8, 118.8),
    ] {
        let line = theil_sen(&x, &y, 1.96).expect("line");
        off.absolute(line.slope, slope);
        off.absolute(line.intercept, intercept);
        assert!(line.slope_lo <= slope && slope <= line.slope_hi);
    }
    off.absolute(
        theil_sen(&box_x, &box_y, 1.96)
            .expect("line")
            .intercept_joint,
        117.0,
    );
    off.check(9);
}
