# Expected values for tests/reference/plan.rs: Rscript plan.R > expected.json
library(nlme)
num <- function(x) paste(format(x, digits = 15, trim = TRUE, scientific = TRUE), collapse = ", ")
arr <- function(x) paste0("[", num(as.vector(x)), "]")
# Expected information of one subject, from its definition.
information <- function(F, Z, D, R, dR, full) {
  V <- Z %*% D %*% t(Z) + R; W <- solve(V)
  q <- ncol(Z); dV <- list()
  for (k in seq_len(q)) for (l in seq_len(k)) if (k == l || full) {
    zz <- Z[, k] %*% t(Z[, l]); dV <- c(dV, list(if (k == l) zz else zz + t(zz)))
  }
  dV <- c(dV, dR)
  n <- length(dV)
  S <- outer(seq_len(n), seq_len(n), Vectorize(function(u, v)
    0.5 * sum(diag(W %*% dV[[u]] %*% W %*% dV[[v]]))))
  list(fixed = t(F) %*% W %*% F, spread = S, conditional = D - D %*% t(Z) %*% W %*% Z %*% D)
}
cat("{\n")
cat('  "versions": "', R.version.string, ", nlme ", as.character(packageVersion("nlme")), '",\n', sep = "")

# 1. A linear mixed model: lme's own covariance of the fixed effects.
lin <- lme(distance ~ age, random = ~ age | Subject, data = Orthodont, method = "ML",
           control = lmeControl(msMaxIter = 500, tolerance = 1e-12, msTol = 1e-12))
D <- as.matrix(getVarCov(lin)); D <- matrix(as.numeric(D), 2)
s <- lin$sigma; ages <- c(8, 10, 12, 14)
F <- cbind(1, ages); one <- information(F, F, D, s^2 * diag(4), list(2 * s^2 * diag(4)), TRUE)
cat('  "linear": {"ages": ', arr(ages), ', "subjects": 27, "fixed": ', arr(fixef(lin)),
    ', "random_covariance": ', arr(D), ', "sigma": ', num(s),
    ', "lme_vcov": ', arr(vcov(lin)), ', "definition_vcov": ', arr(solve(27 * one$fixed)),
    ', "spread_information": ', arr(one$spread), ', "conditional": ', arr(one$conditional), "},\n", sep = "")

# 2. Orange trees, logistic, random asymptote: linear in its random effect.
fm <- nlme(circumference ~ SSlogis(age, A, ti, s), data = Orange, fixed = A + ti + s ~ 1,
           random = A ~ 1 | Tree, start = c(A = 190, ti = 720, s = 350), method = "ML")
b <- fixef(fm); sdA <- as.numeric(VarCorr(fm)[1, 2]); sg <- fm$sigma
a <- unique(Orange$age); G <- attr(SSlogis(a, b[1], b[2], b[3]), "gradient")
if (is.null(G)) { A <- b[1]; ti <- b[2]; s <- b[3]; G <- attr(SSlogis(a, A, ti, s), "gradient") }
Z <- G[, 1, drop = FALSE]
two <- information(G, Z, matrix(sdA^2), sg^2 * diag(length(a)), list(2 * sg^2 * diag(length(a))), FALSE)
# In k = 1 / s, as our logistic has it.
J <- diag(c(1, 1, -1 / b[3]^2))
cat('  "orange": {"ages": ', arr(a), ', "trees": 5, "fixed": ', arr(b), ', "sd_A": ', num(sdA),
    ', "sigma": ', num(sg), ', "nlme_vcov": ', arr(J %*% vcov(fm) %*% J),
    ', "definition_vcov": ', arr(J %*% solve(5 * two$fixed) %*% J), "},\n", sep = "")

# 3. Gompertz, A on the log scale and ti on the natural one, correlated; power of the
# mean and residual correlation.
A <- 2000; k <- 0.03; ti <- 55; t <- c(14, 35, 63, 91, 140)
e <- expression(A * exp(-exp(-k * (t - ti))))
f <- eval(e); gA <- eval(D(e, "A")); gk <- eval(D(e, "k")); gti <- eval(D(e, "ti"))
F <- cbind(gA, gk, gti); Z <- cbind(A * gA, gti)
D3 <- matrix(c(0.0144, 0.09, 0.09, 9), 2); sg <- 0.4; power <- 0.6; phi <- 0.95
sd <- sg * f^power; lag <- abs(outer(t, t, "-")); R <- outer(sd, sd) * phi^lag
dR <- list(2 * R, R * outer(log(f), log(f), "+"), R * lag / phi)
three <- information(F, Z, D3, R, dR, TRUE)
cat('  "gompertz": {"ages": ', arr(t), ', "fixed": ', arr(c(A, k, ti)),
    ', "random_covariance": ', arr(D3), ', "sigma": ', num(sg), ', "power": ', num(power),
    ', "ar1": ', num(phi), ', "fixed_information": ', arr(three$fixed),
    ', "spread_information": ', arr(three$spread), ', "conditional": ', arr(three$conditional), "},\n", sep = "")

# 4. Numbers of subjects of two groups, from the textbook and from power.t.test.
z <- qnorm(0.975) + qnorm(0.8)
n <- function(d) ceiling(power.t.test(delta = d, sd = 1, power = 0.8, strict = TRUE)$n - 1e-9)
cat('  "two_means": {"classical": ', arr(2 * z^2 / c(0.5, 1)^2), ', "t_test": ', arr(c(n(0.5), n(1))), "}\n}\n", sep = "")
