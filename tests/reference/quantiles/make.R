# Tail probabilities and quantiles of the normal, t, chi-squared and F distributions,
# by R's own functions (pnorm, pt by incomplete beta of TOMS 708, pgamma, pf and their inverses).
# Rscript make.R > quantiles.csv
out <- function(law, what, x, df1, df2, value)
  cat(sprintf("%s,%s,%.17g,%.17g,%.17g,%.17g\n", law, what, x, df1, df2, value))
# qf of R 4.2.2 is wrong by up to 2 percent far out in the lower tail: it is refined here by
# Newton's method on ln(pf) against ln(x).
refined_qf <- function(p, df1, df2) {
  lower <- p < 0.5; goal <- log(if (lower) p else 1 - p); u <- log(qf(p, df1, df2))
  for (i in 1:60) {
    x <- exp(u); now <- pf(x, df1, df2, lower.tail = lower, log.p = TRUE)
    slope <- exp(df(x, df1, df2, log = TRUE) + u - now) * (if (lower) 1 else -1)
    step <- (goal - now) / slope; if (!is.finite(step)) break
    u <- u + max(-1, min(1, step)); if (abs(step) < 1e-16) break
  }
  exp(u)
}
cat("law,what,x,df1,df2,value\n")
tails <- c(1e-300, 1e-100, 1e-30, 1e-12, 1e-6, 1e-3, 0.025, 0.1, 0.3, 0.5, 0.7, 0.95, 0.975, 0.995, 0.9999)
dfs <- c(0.5, 1, 1.5, 2, 3, 5.5, 10, 29, 100, 1000, 29999, 30001, 1e5, 1e7, 1e9, 1e12)
for (p in tails) out("normal", "quantile", p, 0, 0, qnorm(p))
for (z in c(-38, -8, -2, -0.5, 0, 0.1, 1.96, 5, 12, 37)) out("normal", "upper", z, 0, 0, pnorm(z, lower.tail = FALSE))
for (df in dfs) {
  for (p in tails) {
    # At 1e-300 qt of R 4.2.2 is wrong (df 3: -1.03311084392e100; 40-digit arithmetic on the
    # one term of the series that is left: -1.03311083604e100).
    t <- qt(p, df); if (is.finite(t) && p > 1e-200) out("t", "quantile", p, df, 0, t)
    q <- qchisq(p, df); if (q > 1e-290) out("chi_squared", "quantile", p, df, 0, q)
  }
  for (t in c(0, 0.01, 0.5, 1, 1.96, 4, 10, 30, 100)) {
    p <- pt(t, df, lower.tail = FALSE); if (p > 1e-290) out("t", "upper", t, df, 0, p)
  }
  for (r in c(1e-6, 0.1, 0.9, 1, 1.1, 2, 10)) {
    x <- r * df; p <- pchisq(x, df, lower.tail = FALSE); if (p > 1e-290) out("chi_squared", "upper", x, df, 0, p)
  }
}
for (df1 in c(0.5, 1, 2, 3, 7, 30, 1000, 1e6)) for (df2 in c(0.5, 1, 2, 5, 27, 300, 1e5, 1e7, 1e12)) {
  for (p in c(1e-6, 0.025, 0.5, 0.95, 0.975, 0.9999)) {
    q <- refined_qf(p, df1, df2); if (is.finite(q) && q > 1e-290) out("f", "quantile", p, df1, df2, q)
  }
  for (x in c(0.01, 0.5, 1, 1.5, 4, 50)) {
    p <- pf(x, df1, df2, lower.tail = FALSE); if (p > 1e-290) out("f", "upper", x, df1, df2, p)
  }
}
