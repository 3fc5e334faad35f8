# Expected values for tests/reference/budget.rs: Rscript budget.R > expected.json
num <- function(x) paste(format(x, digits = 15, trim = TRUE, scientific = TRUE), collapse = ", ")
arr <- function(x) paste0("[", num(as.vector(x)), "]")
set.seed(20261130)
cat("{\n")
cat('  "versions": "', R.version.string, '",\n', sep = "")

# 1. Studies simulated from birds to means: a line is fitted to N0 + N analysed birds, the
#    readings of n other birds at k ages, r scans an occasion, in scans of g, are corrected
#    by it. Errors of the strain's mean at the last age and of a bird's curve there.
#    The way's offset is a shift known with a separate error.
study <- function(p) {
  x <- rep(p$calibration, length.out = p$N0 + p$N)
  c0 <- rnorm(length(x), 0, sqrt(p$w + p$e) * p$M)
  # Readings of the calibration: mass = alpha + beta reading + error of bird and scan.
  line <- lm.fit(cbind(1, x), p$alpha + p$beta * x + c0)$coefficients
  bird <- rnorm(p$n, 0, sqrt(p$b))
  y <- sapply(seq_len(p$k), function(j) {
    true <- p$M * (1 + bird + rnorm(p$n, 0, sqrt(p$B - p$b)))
    group <- rep(seq_len(p$n / p$g), each = p$g)
    mean_true <- tapply(true, group, mean)
    steady <- rnorm(p$n / p$g, 0, sqrt(p$w) * p$M)
    again <- rnorm(p$n / p$g, 0, sqrt(p$e / p$r) * p$M)
    reading <- (mean_true - p$alpha - steady - again) / p$beta
    line[1] + line[2] * reading
  })
  y <- y + rnorm(1, 0, sqrt(p$o) * p$M)
  y <- matrix(y, ncol = p$k)
  mean_error <- mean(y[, p$k]) / p$M - 1
  bird_error <- NA
  if (p$g == 1) {
    c <- p$B - p$b + p$w + p$e / p$r
    keep <- p$b / (p$b + c / p$k)
    d <- keep * mean((y[1, ] - colMeans(y)) / p$M)
    bird_error <- mean(y[, p$k]) / p$M + d - (1 + bird[1])
  }
  c(mean_error, bird_error)
}
base <- list(M = 70, alpha = -3, beta = .85, calibration = c(30, 50, 70, 90, 110, 130),
             B = .0225, b = .0144, w = .0016, e = .0009, o = 0, N0 = 60, N = 0,
             n = 12, k = 3, r = 1, g = 1)
designs <- list(base, modifyList(base, list(r = 3, n = 6)),
                modifyList(base, list(N = 60, w = .02, e = .02, n = 24)),
                modifyList(base, list(g = 3, n = 24, o = .0004)),
                modifyList(base, list(b = .002, B = .003, e = .01, r = 2, n = 9)))
runs <- 20000
parts <- sapply(designs, function(p) {
  x <- rep(p$calibration, length.out = p$N0)
  X <- cbind(1, x)
  at <- c(1, (p$M - p$alpha) / p$beta)
  # Relative variance of the prediction at the mean by N0 birds: the pilot's equation.
  q <- drop(t(at) %*% solve(t(X) %*% X) %*% at) * (p$w + p$e)
  found <- replicate(runs, study(p))
  c(q, apply(found, 1, var))
})
names <- c("M", "B", "b", "w", "e", "o", "N0", "N", "n", "k", "r", "g")
cat('  "simulated": {"runs": ', runs, ', "names": "', paste(names, collapse = " "), '",\n    "designs": [', sep = "")
cat(paste(sapply(designs, function(p) arr(unlist(p[names]))), collapse = ",\n      "))
cat('],\n    "equation": ', arr(parts[1, ]), ',\n    "mean_variance": ', arr(parts[2, ]),
    ',\n    "bird_variance": ', arr(ifelse(is.na(parts[3, ]), -1, parts[3, ])), "},\n", sep = "")

# 2. Two-stage sampling under a linear cost, by enumeration: the cheapest n and r for a
#    variance wished, and Cochran's optimum of r before rounding.
optimum <- function(c1, c2, s1, s2, wanted) {
  grid <- expand.grid(r = 1:12, n = 2:2000)
  grid <- grid[s1 / grid$n + s2 / (grid$n * grid$r) <= wanted, ]
  grid$cost <- grid$n * c1 + grid$n * grid$r * c2
  best <- grid[order(grid$cost, grid$n * grid$r), ][1, ]
  c(c1, c2, s1, s2, wanted, best$n, best$r, best$cost, sqrt(c1 / c2 * s2 / s1))
}
two <- rbind(optimum(20, 1, .01, .02, 1e-4), optimum(5, 4, .01, .02, 1e-4),
             optimum(12, 2, .004, .05, 5e-5), optimum(3, 6, .02, .01, 2e-4))
cat('  "two_stage": {"columns": "bird scan between repeat wanted n r cost cochran", "rows": [',
    paste(apply(two, 1, arr), collapse = ",\n      "), "]},\n", sep = "")

# 3. Splits of N birds over kinds, by enumeration of all splits: mean relative variance at
#    the places smallest.
splits <- function(N, kinds) {
  if (kinds == 1) return(matrix(N, 1, 1))
  do.call(rbind, lapply(0:N, function(first) cbind(first, splits(N - first, kinds - 1))))
}
best <- function(N, X, v, G, M0) {
  all <- splits(N, nrow(X))
  value <- apply(all, 1, function(n) {
    M <- M0 + t(X) %*% (X * (n / v))
    if (rcond(M) < 1e-12) return(Inf)
    mean(rowSums((G %*% solve(M)) * G))
  })
  list(n = all[which.min(value), ], value = min(value), even = value[which.min(abs(rowSums((all - N / nrow(X))^2)))])
}
case <- function(N, x, degree, v, at, M0 = NULL) {
  X <- outer(x, 0:degree, `^`); G <- outer(at, 0:degree, `^`)
  if (is.null(M0)) M0 <- matrix(0, degree + 1, degree + 1)
  found <- best(N, X, v, G, M0)
  cat('    {"N": ', N, ', "x": ', arr(x), ', "degree": ', degree, ', "v": ', arr(v), ', "at": ', arr(at),
      ', "with_pilot": ', if (any(M0 != 0)) "true" else "false",
      ', "split": ', arr(found$n), ', "value": ', num(found$value), "}", sep = "")
}
line <- c(-1, -.5, 0, .5, 1)
cat('  "splits": [\n')
case(12, line, 1, rep(1, 5), line); cat(",\n")
case(12, line, 1, rep(1, 5), c(.5, 1)); cat(",\n")
case(10, line, 1, c(.2, .4, 1, 2, 4), line); cat(",\n")
case(12, line, 2, rep(1, 5), line); cat(",\n")
X <- outer(line, 0:1, `^`)
case(8, line, 1, rep(1, 5), c(-1, 1), t(X) %*% X * 2); cat("\n  ]\n}\n")
