# Linear mixed models with known error variances, by nlme and by a dense likelihood.
# Writes expected.json beside itself. R 4, nlme.
library(nlme)
set.seed(20261130)
birds <- 24
d <- do.call(rbind, lapply(1:birds, function(i) {
  n <- 1 + (i %% 6)
  strain <- c("A", "B", "C")[1 + (i %% 3)]
  u <- sort(runif(n, -1.4, 0.8))
  b <- rnorm(1, 0, 0.12)
  v <- runif(n, 0.001, 0.02)
  y <- c(A = 4.1, B = 4.0, C = 4.3)[strain] + 1.4 * u + b + rnorm(n, 0, sqrt(v + 0.05^2))
  data.frame(bird = i, strain = strain, u = u, v = v, y = y)
}))
d$strain <- factor(d$strain); d$bird <- factor(d$bird)
for (x in c("u", "v", "y")) d[[x]] <- round(d[[x]], 6)
write.csv(d, "scans.csv", row.names = FALSE, quote = FALSE)
d <- read.csv("scans.csv", stringsAsFactors = TRUE); d$bird <- factor(d$bird)
X <- model.matrix(~ 0 + strain + u, d)
ctrl <- function(...) lmeControl(msMaxIter = 1000, maxIter = 1000, tolerance = 1e-12, msTol = 1e-14, niterEM = 200, ...)
num <- function(x) paste0("[", paste(formatC(x, digits = 17, format = "g"), collapse = ", "), "]")
entry <- function(name, loglik, beta, se, vars) sprintf(
  '  "%s": {"log_lik": %s, "fixed": %s, "standard_errors": %s, "variances": %s}',
  name, formatC(loglik, digits = 17, format = "g"), num(beta), num(se), num(vars))
out <- c()
se_of <- function(m) sqrt(diag(m$varFix)) # summary() divides by n - p under ML

for (method in c("ML", "REML")) {
  if (method == "ML") {
    m <- lme(y ~ 0 + strain + u, random = ~ 1 | bird, data = d, weights = varFixed(~ v),
             control = ctrl(sigma = 1), method = method)
    out <- c(out, entry(paste0("known_", method), as.numeric(logLik(m)), fixef(m), se_of(m),
                        c(0, as.numeric(getVarCov(m)))))
  }
  m <- lme(y ~ 0 + strain + u, random = ~ 1 | bird, data = d, control = ctrl(), method = method)
  out <- c(out, entry(paste0("free_", method), as.numeric(logLik(m)), fixef(m), se_of(m),
                      c(m$sigma^2, as.numeric(getVarCov(m)))))
  m <- lme(y ~ 0 + strain + u, random = list(bird = pdDiag(~ u)), data = d, control = ctrl(), method = method)
  out <- c(out, entry(paste0("slopes_", method), as.numeric(logLik(m)), fixef(m), se_of(m),
                      c(m$sigma^2, diag(as.matrix(getVarCov(m))))))
  # Known variances and a residual variance: dense likelihood, optim on log variances.
  Z <- model.matrix(~ 0 + bird, d)
  pieces <- function(th) {
    V <- diag(exp(th[1]) + d$v) + exp(th[2]) * Z %*% t(Z)
    Vi <- solve(V); C <- solve(t(X) %*% Vi %*% X); b <- C %*% t(X) %*% Vi %*% d$y
    r <- d$y - X %*% b
    n <- nrow(d); p <- ncol(X)
    ll <- -0.5 * (as.numeric(determinant(V)$modulus) + sum(r * (Vi %*% r)) +
      if (method == "ML") n * log(2 * pi) else (n - p) * log(2 * pi) - as.numeric(determinant(C)$modulus))
    list(ll = ll, b = b, C = C)
  }
  best <- optim(log(c(0.003, 0.01)), function(th) -pieces(th)$ll, method = "BFGS",
                control = list(reltol = 1e-16, maxit = 1000, ndeps = c(1e-5, 1e-5)))
  best <- optim(best$par, function(th) -pieces(th)$ll, method = "Nelder-Mead",
                control = list(reltol = 1e-16, maxit = 5000))
  p <- pieces(best$par)
  if (method == "REML") { # nlme's restricted likelihood with sigma given is not one: SOURCE.md
    o <- optimize(function(x) pieces(c(-Inf, x))$ll, log(c(1e-4, 0.2)), maximum = TRUE, tol = 1e-12)
    k <- pieces(c(-Inf, o$maximum))
    out <- c(out, entry("known_REML", k$ll, k$b, sqrt(diag(k$C)), c(0, exp(o$maximum))))
  }
  out <- c(out, entry(paste0("sum_", method), p$ll, p$b, sqrt(diag(p$C)), exp(best$par)))
}
writeLines(c("{", paste(out, collapse = ",\n"), "}"), "expected.json")
