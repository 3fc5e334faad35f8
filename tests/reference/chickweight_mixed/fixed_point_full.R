# Do the alternating method's equations hold at a point, full 3x3 covariance? Plain R, written apart from the engine:
# modes given the fixed effects; the move of the fixed effects by the linearised model; its best covariance.
# usage: Rscript fixed_point_full.R  (in this folder; prints, and writes expected_fixed_point_full.json)
all <- read.csv("chickweight.csv"); d <- all[all$diet %in% c(1, 3), ]; n <- table(d$bird); d <- d[d$bird %in% names(n)[n >= 8], ]
birds <- split(d, factor(d$bird, levels = unique(d$bird)))
f <- function(ph, t) { E <- exp(-ph[2] * (t - ph[3])); list(v = ph[1] / (1 + E), J = cbind(1 / (1 + E), ph[1] * E * (t - ph[3]) / (1 + E)^2, -ph[1] * ph[2] * E / (1 + E)^2)) }
be <- c(350.1152706716112, 0.1446495526437765, 15.830222764800363); sg <- 5.374653762234448
Psi <- matrix(c(33408.55346481172, -4.148577290835466, 946.7857033210521, -4.148577290835466, 0.0031157586936159014, -0.3777897535080605, 946.7857033210521, -0.3777897535080605, 53.540936796103374), 3)
# Chicks 8, 9 and 15 have two local modes: the better of two starts is taken.
mode_from <- function(x, b) { P <- solve(Psi, tol = 1e-30); obj <- function(b) sum((x$weight_g - f(be + b, x$age_d)$v)^2) / sg^2 + sum(b * (P %*% b))
  for (it in 1:200) { z <- f(be + b, x$age_d); s <- solve(crossprod(z$J) / sg^2 + P, crossprod(z$J, x$weight_g - z$v) / sg^2 - P %*% b, tol = 1e-30); h <- 1; while (obj(b + h * s) > obj(b) && h > 1e-9) h <- h / 2; b <- as.numeric(b + h * s) }; list(b = b, obj = obj(b)) }
b <- lapply(birds, function(x) { one <- mode_from(x, c(0, 0, 0)); two <- mode_from(x, c(-230, .08, -12)); if (two$obj < one$obj) two$b else one$b })
lin <- function(Psi, sg) { l <- 0; G <- 0; H <- 0
  for (i in names(birds)) { x <- birds[[i]]; z <- f(be + b[[i]], x$age_d); w <- x$weight_g - z$v + z$J %*% b[[i]]; V <- sg^2 * diag(nrow(x)) + z$J %*% Psi %*% t(z$J); Vi <- solve(V)
    G <- G + t(z$J) %*% Vi %*% w; H <- H + t(z$J) %*% Vi %*% z$J; l <- l - .5 * (nrow(x) * log(2 * pi) + as.numeric(determinant(V)$modulus) + t(w) %*% Vi %*% w) }
  q <- as.numeric(t(G) %*% solve(H, G, tol = 1e-30)); list(l = as.numeric(l), best = as.numeric(l) + .5 * q, se = sqrt(q)) }
z <- lin(Psi, sg); C <- t(chol(Psi)); D <- diag(diag(C)); U <- solve(D) %*% C
nll <- function(p) { D <- diag(exp(p[1:3])); U <- diag(3); U[2, 1] <- p[4]; U[3, 1:2] <- p[5:6]; L <- D %*% U; -lin(L %*% t(L), exp(p[7]))$best }
o <- optim(c(log(diag(C)), U[2, 1], U[3, 1:2], log(sg)), nll, method = "BFGS", control = list(reltol = 1e-14, ndeps = rep(1e-5, 7)))
num <- function(x) paste(formatC(x, digits = 12, format = "g"), collapse = ", ")
cat(sprintf('{\n  "logLik": %s, "logLik_at_best_covariance": %s, "change_of_fixed_effects_in_standard_errors": %s,\n  "fixed": [%s], "random_sd": [%s], "residual_sd": %s\n}\n', num(z$l), num(-o$value), num(z$se), num(be), num(sqrt(diag(Psi))), num(sg)), file = "expected_fixed_point_full.json")
