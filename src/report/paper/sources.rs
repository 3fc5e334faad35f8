//! The published sources that a methods section cites, and the numbers they get.

/// A published source.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Source {
    Anderson,
    Arrive,
    BatesOffset,
    BatesWatts,
    BellMcCaffrey,
    BlandAltman,
    BurnhamAnderson,
    CarrollError,
    Chedad,
    Cressie,
    DempsterLairdRubin,
    Gasser,
    Matthews,
    CarrollRuppert,
    Cox,
    DavidianCarroll,
    Efron,
    FritschCarlson,
    Glueer,
    Gum,
    Harrell,
    Harvey,
    Henderson,
    Holm,
    Hotelling,
    Hothorn,
    Huber,
    HurvichTsai,
    Huxley,
    KalbfleischPrentice,
    KaplanMeier,
    Gelman,
    Lin,
    LindstromBates,
    Moulton,
    Page,
    PinheiroBates,
    Satterthwaite,
    KenwardRoger,
    KassSteffey,
    LiangZeger,
    SunLoader,
    Turnbull,
    Tukey,
    Vangel,
    Wilson,
    WulfsohnTsiatis,
    Yang,
    Yao,
}

impl Source {
    #[expect(clippy::too_many_lines, reason = "one source after the other")]
    fn text(self) -> &'static str {
        match self {
            Self::Anderson => {
                "Anderson JR, Cain KC, Gelber RD (1983) Analysis of survival by tumor response. Journal of Clinical Oncology 1:710-719"
            }
            Self::Arrive => {
                "Percie du Sert N, Hurst V, Ahluwalia A, et al. (2020) The ARRIVE guidelines 2.0: updated guidelines for reporting animal research. PLoS Biology 18:e3000410"
            }
            Self::BatesOffset => {
                "Bates DM, Watts DG (1981) A relative offset orthogonality convergence criterion for nonlinear least squares. Technometrics 23:179-183"
            }
            Self::BatesWatts => {
                "Bates DM, Watts DG (1988) Nonlinear Regression Analysis and Its Applications. Wiley, New York"
            }
            Self::BellMcCaffrey => {
                "Bell RM, McCaffrey DF (2002) Bias reduction in standard errors for linear regression with multi-stage samples. Survey Methodology 28:169-181"
            }
            Self::BlandAltman => {
                "Bland JM, Altman DG (1986) Statistical methods for assessing agreement between two methods of clinical measurement. Lancet 327:307-310"
            }
            Self::BurnhamAnderson => {
                "Burnham KP, Anderson DR (2002) Model Selection and Multimodel Inference, 2nd ed. Springer, New York"
            }
            Self::CarrollError => {
                "Carroll RJ, Ruppert D, Stefanski LA, Crainiceanu CM (2006) Measurement Error in Nonlinear Models, 2nd ed. Chapman and Hall/CRC, Boca Raton"
            }
            Self::CarrollRuppert => {
                "Carroll RJ, Ruppert D (1988) Transformation and Weighting in Regression. Chapman and Hall, New York"
            }
            Self::Cox => {
                "Cox DR (1972) Regression models and life-tables. Journal of the Royal Statistical Society B 34:187-220"
            }
            Self::DavidianCarroll => {
                "Davidian M, Carroll RJ (1987) Variance function estimation. Journal of the American Statistical Association 82:1079-1091"
            }
            Self::Efron => {
                "Efron B, Tibshirani RJ (1993) An Introduction to the Bootstrap. Chapman and Hall, New York"
            }
            Self::FritschCarlson => {
                "Fritsch FN, Carlson RE (1980) Monotone piecewise cubic interpolation. SIAM Journal on Numerical Analysis 17:238-246"
            }
            Self::Glueer => {
                "Glüer CC, Blake G, Lu Y, Blunt BA, Jergas M, Genant HK (1995) Accurate assessment of precision errors: how to measure the reproducibility of bone densitometry techniques. Osteoporosis International 5:262-270"
            }
            Self::Gum => {
                "JCGM 100:2008 Evaluation of measurement data: guide to the expression of uncertainty in measurement, 7.2.6"
            }
            Self::Harrell => {
                "Harrell FE, Lee KL, Mark DB (1996) Multivariable prognostic models. Statistics in Medicine 15:361-387"
            }
            Self::Harvey => {
                "Harvey AC (1989) Forecasting, Structural Time Series Models and the Kalman Filter. Cambridge University Press, Cambridge"
            }
            Self::Henderson => {
                "Henderson CR (1975) Best linear unbiased estimation and prediction under a selection model. Biometrics 31:423-447"
            }
            Self::Holm => {
                "Holm S (1979) A simple sequentially rejective multiple test procedure. Scandinavian Journal of Statistics 6:65-70"
            }
            Self::Hotelling => {
                "Hotelling H (1931) The generalization of Student's ratio. Annals of Mathematical Statistics 2:360-378"
            }
            Self::Hothorn => {
                "Hothorn T, Bretz F, Westfall P (2008) Simultaneous inference in general parametric models. Biometrical Journal 50:346-363"
            }
            Self::Huber => {
                "Huber PJ (1964) Robust estimation of a location parameter. Annals of Mathematical Statistics 35:73-101"
            }
            Self::HurvichTsai => {
                "Hurvich CM, Tsai CL (1989) Regression and time series model selection in small samples. Biometrika 76:297-307"
            }
            Self::Huxley => "Huxley JS (1932) Problems of Relative Growth. Methuen, London",
            Self::KalbfleischPrentice => {
                "Kalbfleisch JD, Prentice RL (1980) The Statistical Analysis of Failure Time Data. Wiley, New York"
            }
            Self::KaplanMeier => {
                "Kaplan EL, Meier P (1958) Nonparametric estimation from incomplete observations. Journal of the American Statistical Association 53:457-481"
            }
            Self::LiangZeger => {
                "Liang KY, Zeger SL (1986) Longitudinal data analysis using generalized linear models. Biometrika 73:13-22"
            }
            Self::Gelman => {
                "Gelman A (2006) Prior distributions for variance parameters in hierarchical models. Bayesian Analysis 1:515-534"
            }
            Self::Lin => {
                "Lin LI (1989) A concordance correlation coefficient to evaluate reproducibility. Biometrics 45:255-268"
            }
            Self::LindstromBates => {
                "Lindstrom MJ, Bates DM (1990) Nonlinear mixed effects models for repeated measures data. Biometrics 46:673-687"
            }
            Self::Moulton => {
                "Moulton BR (1986) Random group effects and the precision of regression estimates. Journal of Econometrics 32:385-397"
            }
            Self::Page => "Page ES (1954) Continuous inspection schemes. Biometrika 41:100-115",
            Self::Satterthwaite => {
                "Satterthwaite FE (1946) An approximate distribution of estimates of variance components. Biometrics Bulletin 2:110-114"
            }
            Self::KenwardRoger => {
                "Kenward MG, Roger JH (1997) Small sample inference for fixed effects from restricted maximum likelihood. Biometrics 53:983-997"
            }
            Self::KassSteffey => {
                "Kass RE, Steffey D (1989) Approximate Bayesian inference in conditionally independent hierarchical models (parametric empirical Bayes models). Journal of the American Statistical Association 84:717-726"
            }
            Self::PinheiroBates => {
                "Pinheiro JC, Bates DM (2000) Mixed-Effects Models in S and S-PLUS. Springer, New York"
            }
            Self::SunLoader => {
                "Sun J, Loader CR (1994) Simultaneous confidence bands for linear regression and smoothing. Annals of Statistics 22:1328-1345"
            }
            Self::Turnbull => {
                "Turnbull BW (1976) The empirical distribution function with arbitrarily grouped, censored and truncated data. Journal of the Royal Statistical Society B 38:290-295"
            }
            Self::Tukey => {
                "Kramer CY (1956) Extension of multiple range tests to group means with unequal numbers of replications. Biometrics 12:307-310"
            }
            Self::Vangel => {
                "Vangel MG (1996) Confidence intervals for a normal coefficient of variation. American Statistician 50:21-26"
            }
            Self::Chedad => {
                "Chedad A, Aerts J-M, Vranken E, Lippens M, Zoons J, Berckmans D (2003) Do heavy broiler chickens visit automatic weighing systems less than lighter birds? British Poultry Science 44:663-668"
            }
            Self::Cressie => "Cressie NAC (1993) Statistics for Spatial Data. Wiley, New York",
            Self::DempsterLairdRubin => {
                "Dempster AP, Laird NM, Rubin DB (1977) Maximum likelihood from incomplete data via the EM algorithm. Journal of the Royal Statistical Society B 39:1-38"
            }
            Self::Gasser => {
                "Gasser T, Sroka L, Jennen-Steinmetz C (1986) Residual variance and residual pattern in nonlinear regression. Biometrika 73:625-633"
            }
            Self::Matthews => {
                "Matthews JNS, Altman DG, Campbell MJ, Royston P (1990) Analysis of serial measurements in medical research. British Medical Journal 300:230-235"
            }
            Self::Wilson => {
                "Wilson EB (1927) Probable inference, the law of succession, and statistical inference. Journal of the American Statistical Association 22:209-212"
            }
            Self::Yang => {
                "Yang N, Wu C, McMillan I (1989) New mathematical model of poultry egg production. Poultry Science 68:476-481"
            }
            Self::WulfsohnTsiatis => {
                "Wulfsohn MS, Tsiatis AA (1997) A joint model for survival and longitudinal data measured with error. Biometrics 53:330-339"
            }
            Self::Yao => {
                "Yao Y, Vehtari A, Simpson D, Gelman A (2018) Using stacking to average Bayesian predictive distributions. Bayesian Analysis 13:917-1007"
            }
        }
    }
}

/// The cards of the built-in curves: their equations and where they come from.
const CARDS: [&str; 10] = [
    include_str!("../../../models/curves/anchored-gompertz.toml"),
    include_str!("../../../models/curves/anchored-logistic.toml"),
    include_str!("../../../models/curves/bertalanffy.toml"),
    include_str!("../../../models/curves/gompertz.toml"),
    include_str!("../../../models/curves/logistic.toml"),
    include_str!("../../../models/curves/monomolecular.toml"),
    include_str!("../../../models/curves/richards.toml"),
    include_str!("../../../models/curves/two-phase-gompertz.toml"),
    include_str!("../../../models/curves/two-phase-logistic.toml"),
    include_str!("../../../models/curves/weibull.toml"),
];

/// Equation and source of a built-in curve, as its card has them.
pub(super) fn of_curve(name: &str) -> Option<(String, String)> {
    let cards = CARDS
        .iter()
        .filter_map(|card| card.parse::<toml::Table>().ok());
    let text = |card: &toml::Table, key: &str| Some(card.get(key)?.as_str()?.to_owned());
    let mut cards = cards.filter(|card| text(card, "name").is_some_and(|of| of == name));
    let card = cards.next()?;
    Some((text(&card, "equation")?, text(&card, "source")?))
}

/// The sources cited so far, numbered in order of their first mention.
#[derive(Debug, Clone, Default)]
pub(super) struct References {
    cited: Vec<String>,
}

impl References {
    /// `[3]` for a source.
    pub(super) fn cite(&mut self, source: Source) -> String {
        self.cite_text(source.text())
    }

    /// `[3]` for a source in full.
    pub(super) fn cite_text(&mut self, text: &str) -> String {
        let known = self.cited.iter().position(|cited| cited == text);
        let place = known.unwrap_or_else(|| {
            self.cited.push(text.to_owned());
            self.cited.len() - 1
        });
        format!("[{}]", place + 1)
    }

    /// All of them, each with its number.
    pub(super) fn list(&self) -> Vec<String> {
        let numbered = self.cited.iter().enumerate();
        numbered
            .map(|(place, text)| format!("{}. {text}", place + 1))
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_built_in_curve_has_its_equation_and_its_source() {
        for name in crate::growth::names() {
            let (equation, source) = of_curve(name).expect(name);
            assert!(equation.contains('t'), "{name}: {equation}");
            assert!(
                source.chars().any(|letter| letter.is_ascii_digit()),
                "{name}: {source}"
            );
        }
        assert_eq!(of_curve("nobody's"), None);
    }

    #[test]
    fn a_source_keeps_its_number() {
        let mut references = References::default();
        assert_eq!(references.cite(Source::Holm), "[1]");
        assert_eq!(references.cite(Source::Lin), "[2]");
        assert_eq!(references.cite(Source::Holm), "[1]");
        assert_eq!(references.list().len(), 2);
        assert!(references.list()[1].starts_with("2. Lin LI (1989)"));
    }
}
