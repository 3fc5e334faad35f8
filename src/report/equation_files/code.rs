//! Functions of R and Python.

use super::{Errors, Parts, identifier, number};
use crate::composition::EquationPiece;

/// A text in double quotes, as R and Python read it.
fn quoted(text: &str) -> String {
    let mut written = String::from("\"");
    for letter in text.chars() {
        match letter {
            '"' | '\\' => {
                written.push('\\');
                written.push(letter);
            }
            '\n' => written.push_str("\\n"),
            letter => written.push(letter),
        }
    }
    written.push('"');
    written
}

fn list(values: impl Iterator<Item = String>) -> String {
    values.collect::<Vec<_>>().join(", ")
}

fn header(parts: &Parts<'_>) -> String {
    let mut text = String::new();
    for (key, note) in &parts.notes {
        text += &format!("# {key}: {note}\n");
    }
    text
}

fn product(pieces: &[EquationPiece], log: &str, level: &dyn Fn(&str, &str) -> String) -> String {
    let factors: Vec<String> = pieces
        .iter()
        .map(|piece| match piece {
            EquationPiece::Number(name) => identifier(name),
            EquationPiece::Log(name) => format!("{log}({})", identifier(name)),
            EquationPiece::Level { factor, level: of } => level(&identifier(factor), of),
        })
        .collect();
    factors.join(" * ")
}

/// Variance of one bird about the equation, in the words of either language.
fn own(parts: &Parts<'_>, errors: &Errors, [abs, power, expm1]: [&str; 3]) -> String {
    let variance = number(errors.residual_variance);
    if parts.is_log() {
        return format!("value{power}2 * {expm1}({variance})");
    }
    if errors.power.abs() < f64::MIN_POSITIVE {
        return variance;
    }
    let of = errors.of.as_deref().unwrap_or("value");
    format!(
        "{variance} * {abs}({of}){power}{}",
        number(2.0 * errors.power)
    )
}

pub(super) fn r(parts: &Parts<'_>) -> String {
    let name = parts.response();
    let arguments = list(parts.inputs.iter().map(|input| input.code.clone()));
    let mut text = header(parts);
    text += "# Vectors of equal length (or one value for all); gives a data frame.\n";
    text += &format!("correct_{} <- function({arguments}) {{\n", identifier(name));
    for input in &parts.inputs {
        if let Some(levels) = input.levels {
            text += &format!(
                "  known <- c({})\n  if (!all({} %in% known)) stop(\"{}: expected one of \", paste(known, collapse = \", \"))\n",
                list(levels.iter().map(|level| quoted(level))),
                input.code,
                input.code
            );
        }
        if let Some([least, greatest]) = input.range {
            text += &format!(
                "  if (any({0} < {1} | {0} > {2})) warning(\"{0}: outside the calibrated range\")\n",
                input.code,
                number(least),
                number(greatest)
            );
        }
    }
    let lengths = parts
        .inputs
        .iter()
        .map(|input| format!("length({})", input.code));
    text += &format!("  n <- max(1, {})\n", list(lengths)).replace(", )", ")");
    let level = |factor: &str, level: &str| format!("as.numeric({factor} == {})", quoted(level));
    let columns = parts.columns().map(|pieces| match pieces {
        [] => "rep(1, n)".to_owned(),
        pieces => format!("rep_len({}, n)", product(pieces, "log", &level)),
    });
    text += &format!("  x <- cbind({})\n", list(columns));
    text += &format!(
        "  coefficients <- c({})\n",
        list(parts.equation.coefficients.iter().map(|b| number(*b)))
    );
    text += "  value <- drop(x %*% coefficients)\n";
    if parts.is_log() {
        text += &format!(
            "  value <- exp(value + {})\n",
            number(parts.half_variance())
        );
    }
    let Some(errors) = &parts.errors else {
        text += &format!("  data.frame({} = value)\n}}\n", identifier(name));
        return text;
    };
    text += &format!(
        "  covariance <- matrix(c({}), nrow = {}, byrow = TRUE)\n",
        list(errors.covariance.iter().flatten().map(|v| number(*v))),
        errors.covariance.len()
    );
    text += "  shared <- rowSums((x %*% covariance) * x)";
    text += if parts.is_log() { " * value^2\n" } else { "\n" };
    text += &format!("  own <- {}\n", own(parts, errors, ["abs", "^", "expm1"]));
    text += &format!(
        "  data.frame({} = value, std_error = sqrt(own + shared), own_error = sqrt(own), shared_error = sqrt(shared))\n}}\n",
        identifier(name)
    );
    text
}

pub(super) fn python(parts: &Parts<'_>) -> String {
    let name = parts.response();
    let arguments = list(parts.inputs.iter().map(|input| input.code.clone()));
    let mut text = header(parts);
    text += "import math\nimport warnings\n\n\n";
    text += &format!("def correct_{}({arguments}):\n", identifier(name));
    text += "    \"\"\"Corrected mass of one scan, with its standard error where that is known.\"\"\"\n";
    for input in &parts.inputs {
        if let Some(levels) = input.levels {
            text += &format!(
                "    if {0} not in ({1},):\n        raise ValueError(f\"{0}: found {{{0}}}, which the equation does not know\")\n",
                input.code,
                list(levels.iter().map(|level| quoted(level)))
            );
        }
        if let Some([least, greatest]) = input.range {
            text += &format!(
                "    if not {1} <= {0} <= {2}:\n        warnings.warn(\"{0}: outside the calibrated range\")\n",
                input.code,
                number(least),
                number(greatest)
            );
        }
    }
    let level = |factor: &str, level: &str| format!("float({factor} == {})", quoted(level));
    let columns = parts.columns().map(|pieces| match pieces {
        [] => "1.0".to_owned(),
        pieces => product(pieces, "math.log", &level),
    });
    text += &format!("    x = [{}]\n", list(columns));
    text += &format!(
        "    coefficients = [{}]\n",
        list(parts.equation.coefficients.iter().map(|b| number(*b)))
    );
    text += "    value = math.fsum(a * b for a, b in zip(x, coefficients))\n";
    if parts.is_log() {
        text += &format!(
            "    value = math.exp(value + {})\n",
            number(parts.half_variance())
        );
    }
    let Some(errors) = &parts.errors else {
        text += &format!("    return {{{}: value}}\n", quoted(name));
        return text;
    };
    let rows = errors
        .covariance
        .iter()
        .map(|row| format!("[{}]", list(row.iter().map(|v| number(*v)))));
    text += &format!("    covariance = [{}]\n", list(rows));
    text += "    shared = math.fsum(a * v * b for a, row in zip(x, covariance) for v, b in zip(row, x))";
    text += if parts.is_log() {
        " * value**2\n"
    } else {
        "\n"
    };
    text += &format!(
        "    own = {}\n",
        own(parts, errors, ["abs", "**", "math.expm1"])
    );
    text += &format!(
        "    return {{\n        {}: value,\n        \"std_error\": math.sqrt(own + shared),\n        \"own_error\": math.sqrt(own),\n        \"shared_error\": math.sqrt(shared),\n    }}\n",
        quoted(name)
    );
    text
}
