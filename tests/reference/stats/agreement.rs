//! Bland & Altman, Lin and Deming against R on Davis's weights (`agreement/`).

use pinfeather::stats::agreement::{
    concordance_coefficient, deming, limits_of_agreement, proportional_bias,
};

use super::{Table, agree, all_agree, expected, number, numbers};

#[test]
fn davis_weights() {
    for set in ["weight", "weight_women"] {
        let table = Table::read(&format!("agreement/davis_{set}.csv"));
        let all = expected(&format!("agreement/expected_{set}.json"));
        let (x, y) = (table.column("reported"), table.column("measured"));

        let limits = limits_of_agreement(&x, &y, 0.95).unwrap();
        let ba = &all["bland_altman"];
        agree("bias", limits.bias, number(&ba["bias"]), 12.0);
        agree("sd", limits.sd, number(&ba["sd_diff"]), 12.0);
        agree("lower", limits.limits.lower, number(&ba["lower"]), 12.0);
        agree("upper", limits.limits.upper, number(&ba["upper"]), 12.0);
        let interval = [limits.bias_interval.lower, limits.bias_interval.upper];
        all_agree("bias interval", &interval, &numbers(&ba["ci_bias"]), 11.0);
        let error = number(&ba["se_limit_BlandAltman1999"]);
        agree("limit error", limits.limit_standard_error, error, 12.0);
        // R 4.x: limit -+ qt(0.975, n - 1) sd sqrt(1 / n + 1.96^2 / (2 (n - 1))).
        let (lower, upper) = match set {
            "weight" => (
                [-5.127_603_910_109_71, -3.965_795_310_878_29],
                [3.965_795_310_878_29, 5.127_603_910_109_71],
            ),
            _ => (
                [-4.263_237_174_532_86, -2.860_066_320_569_83],
                [3.820_066_320_569_83, 5.223_237_174_532_86],
            ),
        };
        let interval = limits.lower_limit_interval;
        all_agree(
            "lower limit",
            &[interval.lower, interval.upper],
            &lower,
            11.0,
        );
        let interval = limits.upper_limit_interval;
        all_agree(
            "upper limit",
            &[interval.lower, interval.upper],
            &upper,
            11.0,
        );

        // R 4.2.2: l <- lm(I(measured - reported) ~ I((measured + reported) / 2)); coef(l),
        // confint(l)[2, ], 1.96 * sigma(l).
        let expected_line = match set {
            "weight" => [
                1.869_999_302_848_77,
                -0.028_473_176_032_667_7,
                -0.053_291_235_853_321_7,
                -0.003_655_116_212_013_66,
                4.495_759_188_306_98,
            ],
            _ => [
                -0.868_887_621_421_762,
                0.023_668_847_542_055_8,
                -0.037_181_049_733_012_4,
                0.084_518_744_817_124_1,
                4.049_927_163_892_49,
            ],
        };
        let line = proportional_bias(&x, &y, 0.95).unwrap();
        let found = [
            line.intercept,
            line.slope,
            line.slope_interval.lower,
            line.slope_interval.upper,
            line.half_width,
        ];
        all_agree("proportional bias", &found, &expected_line, 10.0);
        assert_eq!(line.is_proportional(), set == "weight");

        let lin = concordance_coefficient(&x, &y, 0.95).unwrap();
        let reference = &all["lin"];
        let coefficient = number(&reference["ccc_population_variance"]);
        agree("concordance", lin.coefficient, coefficient, 12.0);
        agree("r", lin.correlation, number(&reference["pearson_r"]), 12.0);
        let correction = number(&reference["bias_correction_Cb"]);
        agree("Cb", lin.bias_correction, correction, 12.0);
        let interval = [lin.interval.lower, lin.interval.upper];
        all_agree(
            "Lin interval",
            &interval,
            &numbers(&reference["ci95"]),
            11.0,
        );

        for (ratio, name) in [(1.0, "lambda1"), (2.0, "lambda2")] {
            let line = deming(&x, &y, ratio, 0.95).unwrap();
            let reference = &all["deming"][name];
            agree("slope", line.slope, number(&reference["slope"]), 11.0);
            // The intercept is a difference of two numbers 30 times its size.
            agree(
                "intercept",
                line.intercept,
                number(&reference["intercept"]),
                10.0,
            );
            let errors = [line.slope_standard_error, line.intercept_standard_error];
            // R's pseudo-values n f - (n-1) f_i lose some digits.
            let reference = numbers(&all["deming"][format!("{name}_jackknife_se")]);
            all_agree("jackknife", &errors, &reference, 10.0);
        }
    }
}
