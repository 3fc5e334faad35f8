# Power of the mean in the spread of repeats: a gamma regression of the subjects'
# variances on log mean (log link, weights the degrees of freedom, dispersion 2).
# Rscript spread.R, in this folder. Draws two tables with a fixed seed.
set.seed(11)
draw <- function(power, factor, n) {
  rows <- NULL
  for (subject in seq_len(n)) {
    mean <- exp(runif(1, log(20), log(400)))
    k <- sample(2:4, 1)
    rows <- rbind(rows, data.frame(subject = subject,
      value = round(mean + factor * mean^power * rnorm(k), 3)))
  }
  rows
}
chi2 <- function(d) {
  s <- split(d$value, d$subject)
  df <- sapply(s, length) - 1
  m <- sapply(s, mean)
  v <- sapply(s, var)
  fit <- glm(v ~ log(m), family = Gamma(link = "log"), weights = df,
             control = list(epsilon = 1e-14, maxit = 200))
  b <- coef(fit)
  se <- coef(summary(fit, dispersion = 2))[2, 2]
  # -2 log-likelihood but for constants.
  dev <- function(sigma2) sum(df * log(sigma2) + df * v / sigma2)
  constant <- dev(sum(df * v) / sum(df))
  power <- dev(exp(b[1] + b[2] * log(m)))
  a2 <- sum(df * v / m^2) / sum(df)
  proportional <- dev(a2 * m^2)
  c(factor = exp(b[[1]] / 2), power = b[[2]] / 2, std_error = se / 2,
    p_value = pchisq(constant - power, 1, lower.tail = FALSE),
    constant = constant, proportional = proportional, power_deviance = power, n = sum(df))
}
tables <- list(growing = draw(0.6, 0.25, 40), constant = draw(0, 3, 30))
out <- character()
for (name in names(tables)) {
  write.csv(tables[[name]], paste0(name, ".csv"), row.names = FALSE, quote = FALSE)
  r <- chi2(tables[[name]])
  cells <- paste0('    "', names(r), '": ', formatC(r, digits = 15, format = "g"), collapse = ",\n")
  out <- c(out, paste0('  "', name, '": {\n', cells, "\n  }"))
}
writeLines(c("{", paste(out, collapse = ",\n"), "}"), "expected.json")
