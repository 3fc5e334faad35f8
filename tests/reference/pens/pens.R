# Birds in pens in groups, by R: Rscript pens.R > expected.json (in this folder).
#
# It also writes the data: line.csv and line_unequal.csv (weights on a straight line),
# line_alike.csv (no variance between pens) and gompertz.csv, all simulated here.
suppressMessages({
  library(lme4)
  library(lmerTest)
  library(pbkrtest)
  library(nlme)
})
set.seed(20261130)
design <- function(birds, ages, pens = 4) {
  d <- expand.grid(age_d = ages, bird = seq_len(birds), pen = seq_len(pens), group = c("a", "b"))
  d$pen <- paste0(d$group, d$pen)
  d$bird <- paste0(d$pen, "-", d$bird)
  d
}
effect <- function(of, sd) {
  names <- unique(of)
  setNames(rnorm(length(names), 0, sd), names)[of]
}
line <- design(5, c(7, 14, 21, 28))
line$value <- 40 + 6 * (line$group == "b") + 9 * line$age_d + effect(line$pen, 6) + effect(line$bird, 8) + rnorm(nrow(line), 0, 5)
line$value <- round(line$value, 3)
unequal <- design(6, c(7, 14, 21, 28, 35))
unequal$value <- 40 + 6 * (unequal$group == "b") + 9 * unequal$age_d + effect(unequal$pen, 9) + effect(unequal$bird, 8) +
  unequal$age_d * (effect(unequal$pen, 0.4) + effect(unequal$bird, 0.6)) + rnorm(nrow(unequal), 0, 5)
unequal$value <- round(unequal$value, 3)
unequal <- unequal[!(unequal$pen == "a1" & unequal$bird %in% c("a1-3", "a1-4", "a1-5")), ]
unequal <- unequal[-sample(nrow(unequal), 30), ]
alike <- design(5, c(7, 14, 21, 28))
of_pen <- effect(alike$bird, 8)
# The birds' effects are centred on each pen, so that pens differ less than by chance.
of_pen <- of_pen - ave(of_pen, alike$pen)
alike$value <- round(40 + 6 * (alike$group == "b") + 9 * alike$age_d + of_pen + rnorm(nrow(alike), 0, 5), 3)
write <- function(d, file) write.csv(d[order(d$group, d$pen, d$bird, d$age_d), c("group", "pen", "bird", "age_d", "value")], file, row.names = FALSE, quote = FALSE)
write(line, "line.csv")
write(unequal, "line_unequal.csv")
write(alike, "line_alike.csv")
tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e6), check.conv.singular = "ignore")
numbers <- function(x) paste(sprintf("%.12g", x), collapse = ", ")
show_lmer <- function(name, formula, d, reml) {
  m <- lme4::lmer(formula, d, REML = reml, control = tight)
  v <- as.data.frame(VarCorr(m))
  sd <- function(of) v$sdcor[grepl(of, v$grp)]
  cat(sprintf(
    '"%s": {"logLik": %.12g, "fixed": [%s], "fixed_se": [%s], "pen_sd": [%s], "bird_sd": [%s], "sigma": %.12g',
    name, as.numeric(logLik(m)), numbers(fixef(m)), numbers(sqrt(diag(as.matrix(vcov(m))))),
    numbers(sd("^pen(\\.[0-9])?$")), numbers(sd("^(bird:pen|bird(\\.[0-9])?)$")), sigma(m)
  ))
  # BLUPs of the first bird and its pen.
  cat(sprintf(', "first_bird": %.12g}', predict(m, newdata = data.frame(group = "a", pen = "a1", bird = "a1-1", age_d = 0))))
}
cat("{\n")
for (reml in c(FALSE, TRUE)) {
  of <- if (reml) "REML" else "ML"
  show_lmer(paste0("line_", of), value ~ group + age_d - 1 + (1 | pen / bird), line, reml)
  cat(",\n")
  show_lmer(paste0("alike_", of), value ~ group + age_d - 1 + (1 | pen / bird), alike, reml)
  cat(",\n")
  show_lmer(
    paste0("unequal_", of), value ~ group + group:age_d - 1 + (1 + age_d || pen) + (1 + age_d || bird),
    unequal, reml
  )
  cat(",\n")
}
# By the definitions, at lme4's own estimates: errors of the SDs (expected information of
# the SDs and sigma), and of the first bird's fitted value at age 0 (Henderson's equations).
errors <- function(name, formula, d, slopes) {
  m <- lme4::lmer(formula, d, REML = FALSE, control = tight)
  v <- as.data.frame(VarCorr(m))
  z <- function(unit, what) model.matrix(~ factor(d[[unit]], levels = unique(d[[unit]])) - 1) * what
  parts <- list(z("pen", 1), z("bird", 1))
  of <- list(grepl("^pen", v$grp) & v$var1 == "(Intercept)", grepl("^bird", v$grp) & v$var1 == "(Intercept)")
  if (slopes) {
    parts <- c(parts, list(z("pen", d$age_d), z("bird", d$age_d)))
    of <- c(of, list(grepl("^pen", v$grp) & v$var1 == "age_d", grepl("^bird", v$grp) & v$var1 == "age_d"))
  }
  sd <- c(sapply(of, function(at) v$sdcor[which(at)]), sigma(m))
  squares <- c(lapply(parts, tcrossprod), list(diag(nrow(d))))
  V <- Reduce(`+`, Map(function(s, q) s^2 * q, sd, squares))
  each <- Map(function(s, q) solve(V, 2 * s * q), sd, squares)
  n <- length(sd)
  information <- outer(1:n, 1:n, Vectorize(function(i, j) 0.5 * sum(each[[i]] * t(each[[j]]))))
  # Henderson: all effects at once.
  X <- getME(m, "X")
  W <- do.call(cbind, c(list(X), parts))
  prior <- c(rep(0, ncol(X)), unlist(Map(function(s, q) rep(1 / s^2, ncol(q)), sd[-n], parts)))
  C <- solve(crossprod(W) / sigma(m)^2 + diag(prior))
  a <- rep(0, ncol(W))
  a[1] <- 1
  a[ncol(X) + 1] <- 1
  a[ncol(X) + ncol(parts[[1]]) + 1] <- 1
  cat(sprintf(
    '"%s": {"pen_bird_sd_se": [%s], "sigma_se": %.12g, "first_bird_se": %.12g},\n',
    name, numbers(sqrt(diag(solve(information)))[-n]), sqrt(diag(solve(information)))[n], sqrt(sum(a * (C %*% a)))
  ))
}
sorted <- function(d) d[order(d$group, d$pen, d$bird, d$age_d), ]
errors("line_errors", value ~ group + age_d - 1 + (1 | pen / bird), sorted(line), FALSE)
errors("unequal_errors", value ~ group + group:age_d - 1 + (1 + age_d || pen) + (1 + age_d || bird), sorted(unequal), TRUE)
# The error of a bird's fitted values at its modes, with that of the variance terms (Prasad and
# Rao 1990), by the definitions with whole matrices at lme4's restricted estimates:
# Henderson's prediction error variance, and the derivative of the predictor along the
# variances with the inverse of the restricted likelihood's expected information.
mode_errors <- function(name, formula, d, bird, ages) {
  m <- lme4::lmer(formula, d, REML = TRUE, control = tight)
  v <- as.data.frame(VarCorr(m))
  z <- function(unit, what) model.matrix(~ factor(d[[unit]], levels = unique(d[[unit]])) - 1) * what
  parts <- list(z("pen", 1), z("bird", 1), z("pen", d$age_d), z("bird", d$age_d))
  variance <- function(unit, what) v$vcov[grepl(paste0("^", unit), v$grp) & v$var1 %in% what]
  theta <- c(variance("pen", "(Intercept)"), variance("bird", "(Intercept)"), variance("pen", "age_d"), variance("bird", "age_d"), sigma(m)^2)
  squares <- c(lapply(parts, tcrossprod), list(diag(nrow(d))))
  X <- getME(m, "X")
  first <- which(d$bird == bird)[1]
  at <- function(age) {
    x <- X[first, ]
    x[names(x) == paste0("group", d$group[first], ":age_d")] <- age
    list(x = x, z = lapply(seq_along(parts), function(k) (parts[[k]][first, ] != 0) * c(1, 1, age, age)[k]))
  }
  predictor <- function(theta, a) {
    V <- Reduce(`+`, Map(`*`, theta, squares))
    W <- solve(V)
    beta <- solve(t(X) %*% W %*% X, t(X) %*% W %*% d$value)
    r <- W %*% (d$value - X %*% beta)
    sum(a$x * beta) + sum(sapply(seq_along(parts), function(k) theta[k] * sum(a$z[[k]] * (t(parts[[k]]) %*% r))))
  }
  W <- solve(Reduce(`+`, Map(`*`, theta, squares)))
  P <- W - W %*% X %*% solve(t(X) %*% W %*% X) %*% t(X) %*% W
  n <- length(theta)
  each <- lapply(squares, function(q) P %*% q)
  information <- outer(1:n, 1:n, Vectorize(function(i, j) 0.5 * sum(each[[i]] * t(each[[j]]))))
  H <- do.call(cbind, c(list(X), parts))
  prior <- c(rep(0, ncol(X)), unlist(Map(function(s, q) rep(1 / s, ncol(q)), theta[-n], parts)))
  C <- solve(crossprod(H) / theta[n] + diag(prior))
  found <- sapply(ages, function(age) {
    a <- at(age)
    l <- c(a$x, unlist(a$z))
    g <- sapply(1:n, function(i) {
      h <- 1e-4 * theta[i]
      up <- theta; up[i] <- up[i] + h
      down <- theta; down[i] <- down[i] - h
      (predictor(up, a) - predictor(down, a)) / (2 * h)
    })
    v <- sum(l * (C %*% l))
    G <- sum(g * solve(information, g))
    c(sqrt(v), sqrt(v + 2 * G))
  })
  cat(sprintf(
    '"%s": {"bird": "%s", "ages": [%s], "known_variances": [%s], "with_variances": [%s]},\n',
    name, bird, numbers(ages), numbers(found[1, ]), numbers(found[2, ])
  ))
}
mode_errors("mode_errors", value ~ group + group:age_d - 1 + (1 + age_d || pen) + (1 + age_d || bird), sorted(unequal), "a1-1", c(0, 20, 35))
mode_errors("mode_errors_b", value ~ group + group:age_d - 1 + (1 + age_d || pen) + (1 + age_d || bird), sorted(unequal), "b2-3", c(0, 20, 35))
# Degrees of freedom of the difference between the groups.
m <- lmerTest::lmer(value ~ group + age_d + (1 | pen / bird), line, REML = TRUE)
s <- summary(m, ddf = "Satterthwaite")$coefficients["groupb", ]
k <- summary(m, ddf = "Kenward-Roger")$coefficients["groupb", ]
cat(sprintf('"df": {"estimate": %.12g, "std_error": %.12g, "satterthwaite": %.12g, "kenward_roger": %.12g, "p": %.12g},\n', s[1], s[2], s[3], k[3], k[5]))
birds <- lmerTest::lmer(value ~ group + age_d + (1 | bird), line, REML = TRUE)
cat(sprintf('"df_birds": {"satterthwaite": %.12g},\n', summary(birds)$coefficients["groupb", 3]))
# Of an unbalanced design with intercepts and slopes that vary between pens and birds: the
# difference between the groups and the mean of group a at four ages, and the difference in
# intercept and slope together (numbers of Kenward and Roger's F).
u <- lmerTest::lmer(value ~ group * age_d + (1 + age_d || pen) + (1 + age_d || bird), unequal, REML = TRUE, control = tight)
ages <- c(0, 7, 20, 35)
of_ages <- function(contrast) {
  each <- lapply(ages, contrast)
  cat(sprintf(
    '{"std_error": [%s], "kenward_roger": [%s], "satterthwaite": [%s]}',
    numbers(sapply(each, function(l) sqrt(sum(l * (as.matrix(vcov(u)) %*% l))))),
    numbers(sapply(each, function(l) get_Lb_ddf(u, l))), numbers(sapply(each, function(l) contest1D(u, l)$df))
  ))
}
cat(sprintf('"unequal_df": {"ages": [%s], "difference": ', numbers(ages)))
of_ages(function(age) c(0, 1, 0, age))
cat(', "group_a": ')
of_ages(function(age) c(1, 0, age, 0))
f <- KRmodcomp(u, rbind(c(0, 1, 0, 0), c(0, 0, 0, 1)))$stats
cat(sprintf(', "both": {"df": %.12g, "scaling": %.12g}},\n', f$ddf, f$F.scaling))
# No variance between pens is found here.
m <- lmerTest::lmer(value ~ group + age_d + (1 | pen / bird), alike, REML = TRUE, control = tight)
cat(sprintf('"alike_df": {"kenward_roger": %.12g},\n', get_Lb_ddf(m, c(0, 1, 0))))

growth <- design(6, seq(0, 140, by = 14))
A <- 1500 + 120 * (growth$group == "b") + effect(growth$pen, 60) + effect(growth$bird, 90)
k <- 0.033 + effect(growth$bird, 0.002)
growth$value <- round(A * exp(-exp(-k * (growth$age_d - 52))) + rnorm(nrow(growth), 0, 15), 2)
write(growth, "gompertz.csv")
growth <- read.csv("gompertz.csv", stringsAsFactors = TRUE)
m <- nlme(value ~ A * exp(-exp(-k * (age_d - ti))),
  data = growth, fixed = list(A ~ group - 1, k ~ group - 1, ti ~ group - 1),
  random = list(pen = pdDiag(A ~ 1), bird = pdDiag(A + k ~ 1)),
  start = c(1500, 1600, 0.033, 0.033, 52, 52), method = "ML",
  control = nlmeControl(tolerance = 1e-7, pnlsTol = 1e-6, msTol = 1e-10, maxIter = 500, msMaxIter = 500)
)
show_nlme <- function(name, m, first) {
  sds <- function(at) sqrt(diag(as.matrix(m$modelStruct$reStruct[[at]]))) * m$sigma
  cat(sprintf(
    '"%s": {"logLik": %.12g, "fixed": [%s], "fixed_se": [%s], "pen_sd": [%s], "bird_sd": [%s], "sigma": %.12g, "first_bird": %.12g},\n',
    name, as.numeric(logLik(m)), numbers(fixef(m)), numbers(sqrt(diag(m$varFix))),
    numbers(sds("pen")), numbers(sds("bird")), m$sigma, first
  ))
}
show_nlme("gompertz_ML", m, predict(m, growth[growth$bird == "a1-1" & growth$age_d == 98, ], level = 2))
# nlme's own "REML" only scales sigma. So alternation by hand: the curve is linearised at
# fixed effects and modes, lme maximises the restricted likelihood of the linear model, its
# fixed effects and modes are the next point, until nothing moves.
group <- as.integer(growth$group)
beta <- matrix(fixef(m), nrow = 2)
at <- function(of, part) as.matrix(of)[match(part, rownames(of)), , drop = FALSE]
strip <- function(of) { rownames(of) <- sub("^.*/", "", rownames(of)); of }
effects <- ranef(m)
for (round in 1:200) {
  pen <- at(effects$pen, as.character(growth$pen))
  bird <- at(strip(effects$bird), as.character(growth$bird))
  A <- beta[group, 1] + pen[, 1] + bird[, 1]
  k <- beta[group, 2] + bird[, 2]
  ti <- beta[group, 3]
  e <- exp(-k * (growth$age_d - ti))
  f <- A * exp(-e)
  l <- data.frame(J1 = exp(-e), J2 = f * e * (growth$age_d - ti), J3 = -f * e * k, pen = growth$pen, bird = growth$bird, g = growth$group)
  l$w <- growth$value - f + l$J1 * A + l$J2 * k + l$J3 * ti
  r <- lme(w ~ J1:g + J2:g + J3:g - 1,
    random = list(pen = pdDiag(~ J1 - 1), bird = pdDiag(~ J1 + J2 - 1)), data = l, method = "REML",
    control = lmeControl(tolerance = 1e-12, msTol = 1e-13, msMaxIter = 500, opt = "nlminb")
  )
  moved <- max(abs(fixef(r) - as.numeric(beta)) / sqrt(diag(vcov(r))))
  beta <- matrix(fixef(r), nrow = 2)
  effects <- ranef(r)
  if (moved < 1e-8) break
}
first <- growth$bird == "a1-1" & growth$age_d == 98
show_nlme("gompertz_REML", r, f[first])
cat(sprintf('"versions": "R %s, lme4 %s, lmerTest %s, pbkrtest %s, nlme %s"\n}\n', getRversion(), packageVersion("lme4"), packageVersion("lmerTest"), packageVersion("pbkrtest"), packageVersion("nlme")))
