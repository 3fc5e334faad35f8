# Reference values for the model of unnamed birds; run in this folder: Rscript fit.R
suppressMessages({library(nlme); library(lme4); library(lmerTest)})
if (!file.exists("crossed.csv")) {
  set.seed(4)
  pens <- 5; ages <- seq(14, 112, 14); sizes <- c(12, 15, 10, 14, 17)
  u <- rnorm(pens, 0, .03); d <- rnorm(length(ages), 0, .025)
  make <- function(day, sd) do.call(rbind, lapply(1:pens, function(p) do.call(rbind, lapply(seq_along(ages), function(i)
    data.frame(pen = p - 1, age = ages[i], logw = round(4.6 + .024 * ages[i] + u[p] + day * d[i] + rnorm(1, 0, .015) +
      rnorm(sizes[p], 0, sd(ages[i])), 5))))))
  write.csv(make(1, function(a) .09), "crossed.csv", row.names = FALSE, quote = FALSE)
  write.csv(make(0, function(a) .13 * exp(-.005 * a)), "spread.csv", row.names = FALSE, quote = FALSE)
  # Three kinds in one flock of four pens: samples, crates, ringed birds.
  age <- ages; k <- 0; rows <- list()
  add <- function(...) { k <<- k + 1; rows[[k]] <<- data.frame(...) }
  for (p in 0:3) { up <- rnorm(1, 0, .025)
    L <- 80; eta <- .2; S <- .1^2 * (1 - eta) * exp(-abs(outer(age, age, "-")) / L); diag(S) <- .1^2
    v <- rnorm(length(age), 0, .012); mu <- 4.6 + .024 * age + up + v
    if (p < 2) for (b in 1:6) { x <- mu + as.vector(t(chol(S)) %*% rnorm(length(age)))
      for (i in seq_along(age)) add(kind = "ringed", pen = p, age = age[i], bird = paste0("r", p, "-", b), n = 1, value = round(x[i], 5), cv = NA) }
    for (i in seq_along(age)) if (p != 3) for (b in 1:8) add(kind = "sample", pen = p, age = age[i], bird = "", n = 1, value = round(mu[i] + rnorm(1, 0, .1), 5), cv = NA)
    for (i in seq_along(age)) if (p >= 2) { w <- exp(mu[i] + rnorm(12, 0, .1))
      add(kind = "crate", pen = p, age = age[i], bird = "", n = 12, value = round(log(mean(w)), 5), cv = if (p == 3) round(sd(w) / mean(w), 5) else NA) } }
  write.csv(do.call(rbind, rows), "kinds.csv", row.names = FALSE, quote = FALSE, na = "")
}
options(digits = 12)
out <- list()
a <- read.csv("crossed.csv"); a$p <- factor(a$pen); a$day <- factor(a$age); a$cell <- interaction(a$p, a$day)
m <- lmer(logw ~ age + (1 | p) + (1 | day) + (1 | cell), a, control = lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10)))
v <- as.data.frame(VarCorr(m)); s <- coef(summary(m))
cat("crossed: loglik", as.numeric(logLik(m)), "\n"); print(v[, c(1, 5)]); print(s[, 1:3], digits = 10)
b <- read.csv("spread.csv"); b$p <- factor(b$pen); b$occ <- factor(b$age)
m <- lme(logw ~ age, random = ~ 1 | p/occ, weights = varExp(form = ~age), data = b,
         control = lmeControl(msMaxIter = 500, tolerance = 1e-10, msTol = 1e-12))
cf <- coef(m$modelStruct$varStruct, unconstrained = FALSE)
cat("spread: loglik", as.numeric(logLik(m)), "sd14", m$sigma * exp(cf * 14), "sd112", m$sigma * exp(cf * 112), "\n")
print(VarCorr(m)); print(summary(m)$tTable[, 1:2], digits = 10)
# Three kinds: the restricted likelihood written out with one dense covariance matrix.
d <- read.csv("kinds.csv"); X0 <- cbind(1, d$age)
cell <- paste(d$pen, d$age)
nll <- function(x, all = FALSE) {
  sd <- exp(x[1] + x[2] * (d$age - 63) / 49); eta <- plogis(x[5]); L <- exp(x[6])
  y <- d$value; V <- diag(sd^2); extra <- 0
  cr <- d$kind == "crate"
  rel <- expm1(sd^2) / d$n
  y[cr] <- y[cr] - sd[cr]^2 / 2 + rel[cr] / 2
  diag(V)[cr] <- rel[cr]
  ok <- cr & !is.na(d$cv)
  extra <- -.5 * sum((d$n[ok] - 1) * (2 * log(sd[ok]) + log1p(d$cv[ok]^2) / sd[ok]^2 + log(2 * pi)))
  ri <- which(d$kind == "ringed")
  for (i in ri) for (j in ri) if (i != j && d$bird[i] == d$bird[j])
    V[i, j] <- sd[i] * sd[j] * (1 - eta) * exp(-abs(d$age[i] - d$age[j]) / L)
  V <- V + (x[3] / 100)^2 * outer(d$pen, d$pen, "==") + (x[4] / 100)^2 * outer(cell, cell, "==")
  U <- tryCatch(chol(V), error = function(e) NULL); if (is.null(U)) return(1e10)
  Xs <- backsolve(U, X0, transpose = TRUE); ys <- backsolve(U, y, transpose = TRUE)
  q <- qr(Xs); beta <- qr.coef(q, ys); r <- ys - Xs %*% beta
  ll <- -.5 * (2 * sum(log(diag(U))) + sum(r^2) + 2 * sum(log(abs(diag(qr.R(q))))) + (length(y) - 2) * log(2 * pi)) + extra
  if (all) list(ll = ll, beta = beta, se = sqrt(diag(solve(crossprod(Xs)))), sd14 = exp(x[1] - x[2]), sd112 = exp(x[1] + x[2]), pen = abs(x[3]) / 100, occ = abs(x[4]) / 100, eta = eta, L = L) else -ll
}
x <- c(log(.1), 0, 2, 1, -1.4, 4.4)
for (k in 1:4) x <- optim(x, nll, method = "BFGS", control = list(maxit = 500, reltol = 1e-15))$par
cat("kinds:\n"); print(nll(x, TRUE), digits = 10)
cat(R.version.string, as.character(packageVersion("nlme")), as.character(packageVersion("lme4")), as.character(packageVersion("lmerTest")), "\n")
