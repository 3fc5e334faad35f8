# Offsets of ways of scanning against nlme. Run in this folder: Rscript ways.R
library(nlme)
set.seed(20261130)
birds <- 24
write_rows <- function(file, rows) write.csv(rows, file, row.names = FALSE, quote = FALSE)
num <- function(x) format(x, digits = 15)

## Constant offsets, constant spread; a crate reads the mean of three birds.
mu <- round(seq(20, 400, length.out = birds) + rnorm(birds, 0, 5), 2)
rows <- list()
add <- function(subjects, way, value)
  rows[[length(rows) + 1]] <<- data.frame(subjects = paste(subjects, collapse = "+"), way = way, value = round(value, 3))
for (b in 1:birds) {
  for (r in 1:2) add(b, 0, mu[b] + rnorm(1, 0, 1))
  for (r in 1:2) add(b, 1, mu[b] + 5 + rnorm(1, 0, 3))
}
for (g in 1:8) {
  in_crate <- 3 * g - 2:0
  for (r in 1:2) add(in_crate, 2, mean(mu[in_crate]) - 7 + rnorm(1, 0, 2))
}
rows <- do.call(rbind, rows)
write_rows("constant.csv", rows)
X <- t(sapply(strsplit(rows$subjects, "+", fixed = TRUE), function(s) { x <- numeric(birds); x[as.integer(s)] <- 1 / length(s); x }))
Z <- cbind(sling = as.numeric(rows$way == 1), crate = as.numeric(rows$way == 2))
d <- data.frame(y = rows$value, way = factor(rows$way))
fit <- gls(y ~ 0 + X + Z, d, weights = varIdent(form = ~ 1 | way), method = "REML",
           control = glsControl(tolerance = 1e-12, msTol = 1e-14, maxIter = 500, msMaxIter = 500, opt = "optim"))
ratio <- coef(fit$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)
V <- vcov(fit)[birds + 1:2, birds + 1:2]
W <- 1 / (ratio[as.character(rows$way)]^2)
A <- cbind(X, Z)
e <- d$y - A %*% coef(fit)
df <- nrow(A) - ncol(A)
s2 <- sum(W * e^2) / df
loglik <- -0.5 * (df * log(2 * pi * s2) + df + sum(-log(W)) + as.numeric(determinant(t(A) %*% (A * W))$modulus))

## The same birds, shares and a spread in proportion, in logarithms.
rows <- list()
mu <- round(exp(seq(log(50), log(800), length.out = birds)), 2)
for (b in 1:birds) {
  for (r in 1:2) add(b, 0, mu[b] * exp(rnorm(1, 0, 0.004)))
  for (r in 1:2) add(b, 1, mu[b] * 1.03 * exp(rnorm(1, 0, 0.012)))
}
rows <- do.call(rbind, rows)
write_rows("proportional.csv", rows)
d <- data.frame(y = log(rows$value), way = factor(rows$way), bird = factor(rows$subjects))
logs <- gls(y ~ bird + way, d, weights = varIdent(form = ~ 1 | way), method = "REML",
            control = glsControl(tolerance = 1e-12, msTol = 1e-14, maxIter = 500, msMaxIter = 500, opt = "optim"))
mixed <- lme(y ~ way, random = ~ 1 | bird, d, weights = varIdent(form = ~ 1 | way), method = "REML")
at <- length(coef(logs))
cat(sprintf('{
 "constant": {"offsets": [%s, %s], "std_errors": [%s, %s], "covariance": %s, "ratios": [%s, %s], "sigma": %s, "log_likelihood": %s, "df": %d, "nlme_log_likelihood": %s},
 "proportional": {"log_offset": %s, "std_error": %s, "ratio": %s, "sigma": %s, "mixed_log_offset": %s, "mixed_std_error": %s}
}\n',
  num(coef(fit)[birds + 1]), num(coef(fit)[birds + 2]), num(sqrt(V[1, 1])), num(sqrt(V[2, 2])), num(V[1, 2]),
  num(ratio["1"] / ratio["0"]), num(sqrt(3) * ratio["2"] / ratio["0"]), num(sqrt(s2)), num(loglik - 0 ), df, num(as.numeric(logLik(fit))),
  num(coef(logs)[at]), num(sqrt(vcov(logs)[at, at])),
  num(coef(logs$modelStruct$varStruct, unconstrained = FALSE, allCoef = TRUE)["1"]), num(logs$sigma),
  num(fixef(mixed)[2]), num(sqrt(vcov(mixed)[2, 2]))), file = "expected.json")
